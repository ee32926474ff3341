//! Pictures as PNG, with letters of their own.
//!
//! Model: a canvas of pixels that the drawing library draws on; letters come from a bitmap font that
//! is compiled in, enlarged by whole factors, because a computer in the field may have no fonts. The
//! canvas is drawn larger than shown and averaged down, which smooths edges. Rejected: a renderer for
//! SVG (twenty packages, and it needs the system's fonts).

use embedded_graphics::Drawable;
use embedded_graphics::Pixel;
use embedded_graphics::draw_target::DrawTarget;
use embedded_graphics::geometry::{OriginDimensions, Point, Size};
use embedded_graphics::mono_font::MonoTextStyle;
use embedded_graphics::mono_font::iso_8859_1::FONT_10X20;
use embedded_graphics::pixelcolor::BinaryColor;
use embedded_graphics::text::{Baseline, Text};
use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendTextStyle, DrawingBackend, DrawingErrorKind, FontTransform,
};
use std::convert::Infallible;

/// Size of a letter of the font (px).
const LETTER: (i32, i32) = (10, 20);
/// Of a font size, how much one of the font's lines is.
const LINE: f64 = 20.0;

/// A canvas of red, green and blue, each 0 to 255.
pub(super) struct Raster<'a> {
    pixels: &'a mut [[u8; 3]],
    width: u32,
    height: u32,
}

impl<'a> Raster<'a> {
    /// On `width` times `height` pixels.
    pub(super) fn new(pixels: &'a mut [[u8; 3]], width: u32, height: u32) -> Self {
        Self { pixels, width, height }
    }

    fn blend(&mut self, (x, y): BackendCoord, color: BackendColor) {
        let (Ok(x), Ok(y)) = (u32::try_from(x), u32::try_from(y)) else { return };
        if x >= self.width || y >= self.height {
            return;
        }
        let at = y as usize * self.width as usize + x as usize;
        let (r, g, b) = color.rgb;
        let Some(pixel) = self.pixels.get_mut(at) else { return };
        for (old, new) in pixel.iter_mut().zip([r, g, b]) {
            let mixed = f64::from(*old) * (1.0 - color.alpha) + f64::from(new) * color.alpha;
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 255")]
            let mixed = mixed.round() as u8;
            *old = mixed;
        }
    }
}

/// The pixels of a line of letters that are ink.
struct Ink(Vec<(i32, i32)>);

impl OriginDimensions for Ink {
    fn size(&self) -> Size {
        Size::new(u32::MAX, u32::MAX)
    }
}

impl DrawTarget for Ink {
    type Color = BinaryColor;
    type Error = Infallible;

    fn draw_iter<I: IntoIterator<Item = Pixel<BinaryColor>>>(
        &mut self,
        pixels: I,
    ) -> Result<(), Infallible> {
        let ink = pixels.into_iter().filter(|pixel| pixel.1.is_on());
        self.0.extend(ink.map(|pixel| (pixel.0.x, pixel.0.y)));
        Ok(())
    }
}

fn ink(text: &str) -> Vec<(i32, i32)> {
    let mut ink = Ink(Vec::new());
    let style = MonoTextStyle::new(&FONT_10X20, BinaryColor::On);
    let drawn = Text::with_baseline(text, Point::zero(), style, Baseline::Top).draw(&mut ink);
    match drawn {
        Ok(_) => ink.0,
        Err(never) => match never {},
    }
}

/// Whole factor by which the font is enlarged for a font size (px).
#[expect(clippy::cast_possible_truncation, reason = "a font size is a small number")]
fn enlarged(size: f64) -> i32 {
    (size / LINE).round().max(1.0) as i32
}

impl DrawingBackend for Raster<'_> {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        (self.width, self.height)
    }

    fn ensure_prepared(&mut self) -> Result<(), DrawingErrorKind<Infallible>> {
        Ok(())
    }

    fn present(&mut self) -> Result<(), DrawingErrorKind<Infallible>> {
        Ok(())
    }

    fn draw_pixel(
        &mut self,
        point: BackendCoord,
        color: BackendColor,
    ) -> Result<(), DrawingErrorKind<Infallible>> {
        self.blend(point, color);
        Ok(())
    }

    fn draw_text<S: BackendTextStyle>(
        &mut self,
        text: &str,
        style: &S,
        (x, y): BackendCoord,
    ) -> Result<(), DrawingErrorKind<Infallible>> {
        let factor = enlarged(style.size());
        let letters = i32::try_from(text.chars().count()).unwrap_or(0);
        let (width, height) = (letters * LETTER.0 * factor, LETTER.1 * factor);
        let anchor = style.anchor();
        let left = match anchor.h_pos {
            HPos::Left => 0,
            HPos::Center => -width / 2,
            HPos::Right => -width,
        };
        let top = match anchor.v_pos {
            VPos::Top => 0,
            VPos::Center => -height / 2,
            VPos::Bottom => -height,
        };
        for (column, row) in ink(text) {
            for dx in 0..factor {
                for dy in 0..factor {
                    let right = left + column * factor + dx;
                    let down = top + row * factor + dy;
                    let at = match style.transform() {
                        FontTransform::None => (x + right, y + down),
                        FontTransform::Rotate90 => (x - down, y + right),
                        FontTransform::Rotate180 => (x - right, y - down),
                        FontTransform::Rotate270 => (x + down, y - right),
                    };
                    self.blend(at, style.color());
                }
            }
        }
        Ok(())
    }

    fn estimate_text_size<S: BackendTextStyle>(
        &self,
        text: &str,
        style: &S,
    ) -> Result<(u32, u32), DrawingErrorKind<Infallible>> {
        let factor = enlarged(style.size()).unsigned_abs();
        let letters = u32::try_from(text.chars().count()).unwrap_or(0);
        Ok((letters * LETTER.0.unsigned_abs() * factor, LETTER.1.unsigned_abs() * factor))
    }
}

/// The pixels, averaged over squares of `factor` to a side, as a PNG file.
///
/// # Errors
/// What the encoder says.
pub(super) fn png(
    pixels: &[[u8; 3]],
    (width, height): (u32, u32),
    factor: u32,
) -> Result<Vec<u8>, String> {
    let (across, down) = (width / factor, height / factor);
    let mut small = Vec::with_capacity(across as usize * down as usize * 3);
    for y in 0..down {
        for x in 0..across {
            let mut sums = [0_u32; 3];
            for dy in 0..factor {
                let first = ((y * factor + dy) * width + x * factor) as usize;
                for pixel in &pixels[first..first + factor as usize] {
                    for (sum, colour) in sums.iter_mut().zip(pixel) {
                        *sum += u32::from(*colour);
                    }
                }
            }
            let mean = |sum| u8::try_from(sum / (factor * factor)).unwrap_or(u8::MAX);
            small.extend(sums.map(mean));
        }
    }
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, across, down);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().map_err(|error| error.to_string())?;
    writer.write_image_data(&small).map_err(|error| error.to_string())?;
    writer.finish().map_err(|error| error.to_string())?;
    Ok(file)
}
