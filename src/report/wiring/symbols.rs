//! Symbols in the manner of IEC 60617, as plain drawings of our own.

use super::sheet::{INK, OUTLINE, Place, Sheet, Stroke, letters, stroke};

/// Conductors. Each has a kind of line of its own, so that they are told apart without colours.
pub(super) const POSITIVE: Stroke = stroke("#9c1c1c", 2.6, "");
pub(super) const NEGATIVE: Stroke = stroke("#1c3f8c", 2.6, "");
pub(super) const SENSE: Stroke = stroke("#444", 1.3, "6 4");
pub(super) const EARTH: Stroke = stroke("#2c6a2c", 1.6, "9 3 2 3");
const LINKED: Stroke = stroke(INK, 1.0, "3 3");
const PAPER: &str = "#fff";

/// A numbered place of measurement on a conductor.
pub(super) fn point(sheet: &mut Sheet, at: Place, number: &str) {
    sheet.circle(at, 8.5, PAPER, OUTLINE);
    sheet.text((at.0, at.1 + 4.0), number, letters(11.0).bold().middle());
}

/// Where two conductors are joined.
pub(super) fn joint(sheet: &mut Sheet, at: Place) {
    sheet.circle(at, 3.2, INK, OUTLINE);
}

/// Protective earth below `at`.
pub(super) fn earth(sheet: &mut Sheet, from: &[Place], at: Place) {
    let mut path = from.to_vec();
    path.extend([at, (at.0, at.1 + 10.0)]);
    sheet.line(&path, EARTH);
    for (step, half) in [(10.0, 11.0), (14.0, 7.0), (18.0, 3.0)] {
        sheet.line(&[(at.0 - half, at.1 + step), (at.0 + half, at.1 + step)], OUTLINE);
    }
}

/// A fuse on a horizontal conductor.
pub(super) fn fuse(sheet: &mut Sheet, centre: Place, half: f64, conductor: Stroke) {
    sheet.frame((centre.0 - half, centre.1 - 6.0), (2.0 * half, 12.0), PAPER, OUTLINE);
    sheet.line(&[(centre.0 - half, centre.1), (centre.0 + half, centre.1)], conductor);
}

/// A resistor on a horizontal conductor.
pub(super) fn resistor(sheet: &mut Sheet, centre: Place) {
    sheet.frame((centre.0 - 28.0, centre.1 - 7.0), (56.0, 14.0), PAPER, OUTLINE);
}

/// One pole of a disconnect on a horizontal conductor, drawn open; returns the blade's middle.
pub(super) fn pole(sheet: &mut Sheet, centre: Place, conductor: Stroke) -> Place {
    let (x, y) = centre;
    sheet.frame((x - 16.0, y - 3.0), (32.0, 6.0), PAPER, stroke(PAPER, 0.5, ""));
    sheet.line(&[(x - 16.0, y), (x + 14.0, y - 17.0)], conductor);
    sheet.line(&[(x + 16.0, y - 7.0), (x + 16.0, y + 7.0)], OUTLINE);
    (x - 1.0, y - 8.5)
}

/// The blades of a disconnect move together.
pub(super) fn linked(sheet: &mut Sheet, upper: Place, lower: Place) {
    sheet.line(&[upper, lower], LINKED);
}

/// A photovoltaic device, its plus above, in an earthed frame, with light falling on it.
pub(super) fn device(sheet: &mut Sheet, centre: Place) {
    let (x, y) = centre;
    sheet.frame((x - 45.0, y - 56.0), (90.0, 112.0), "#f4f4f4", OUTLINE);
    sheet.line(&[(x, y - 70.0), (x, y - 8.0)], POSITIVE);
    sheet.line(&[(x, y + 8.0), (x, y + 70.0)], NEGATIVE);
    sheet.line(&[(x - 24.0, y - 8.0), (x + 24.0, y - 8.0)], stroke(INK, 1.8, ""));
    sheet.line(&[(x - 12.0, y + 8.0), (x + 12.0, y + 8.0)], stroke(INK, 5.0, ""));
    sheet.text((x + 18.0, y - 24.0), "+", letters(15.0).bold().middle());
    sheet.text((x + 18.0, y + 34.0), "\u{2212}", letters(15.0).bold().middle());
    for shift in [0.0, 18.0] {
        let from = (x - 88.0, y - 48.0 + shift);
        sheet.arrow(from, (x - 50.0, y - 24.0 + shift), OUTLINE);
    }
}

/// A source on the lower conductor, its plus to the left, toward the device.
pub(super) fn supply(sheet: &mut Sheet, centre: Place, volts: &str) {
    let (x, y) = centre;
    sheet.frame((x - 52.0, y - 22.0), (104.0, 44.0), "#f4f4f4", OUTLINE);
    sheet.text((x - 42.0, y + 5.0), "+", letters(16.0).bold().middle());
    sheet.text((x + 42.0, y + 5.0), "\u{2212}", letters(16.0).bold().middle());
    sheet.text((x, y - 3.0), "BOOST", letters(11.0).bold().middle());
    sheet.text((x, y + 13.0), volts, letters(11.5).middle());
}

/// An electronic load, its plus above.
pub(super) fn load(sheet: &mut Sheet, corner: Place, size: Place) {
    let (x, y) = (corner.0 + size.0 / 2.0, corner.1 + size.1 / 2.0);
    sheet.frame(corner, size, "#f4f4f4", OUTLINE);
    sheet.text((x, corner.1 + 20.0), "+", letters(16.0).bold().middle());
    sheet.text((x, corner.1 + size.1 - 10.0), "\u{2212}", letters(16.0).bold().middle());
    sheet.text((x, y - 8.0), "LOAD", letters(13.0).bold().middle());
    sheet.text((x, y + 10.0), "constant voltage", letters(10.5).middle());
    sheet.arrow((x + 48.0, y - 52.0), (x + 48.0, y - 22.0), OUTLINE);
}

/// An irradiance sensor: a dome on a body.
pub(super) fn irradiance(sheet: &mut Sheet, centre: Place) {
    let (x, y) = centre;
    sheet.circle(centre, 9.0, PAPER, OUTLINE);
    sheet.frame((x - 13.0, y), (26.0, 11.0), PAPER, OUTLINE);
}

/// A temperature sensor on a surface at `at`: two wires joined in a bead.
pub(super) fn temperature(sheet: &mut Sheet, at: Place) {
    let (x, y) = at;
    sheet.line(&[(x + 22.0, y - 5.0), (x, y), (x + 22.0, y + 5.0)], OUTLINE);
    joint(sheet, at);
}

/// The sign of a caution.
pub(super) fn caution(sheet: &mut Sheet, corner: Place) {
    let (x, y) = corner;
    let triangle = [(x + 10.0, y), (x + 20.0, y + 17.0), (x, y + 17.0)];
    sheet.shape(&triangle, "#ffe9a8", OUTLINE);
    sheet.text((x + 10.0, y + 15.0), "!", letters(13.0).bold().middle());
}
