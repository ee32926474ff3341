//! How the boost supply is wired, from what the load's voltmeter does when it comes on.
//!
//! Model: with the load's input off no current flows, so in the right loop the load's terminals rise
//! by exactly the boost voltage V_b. Everything else tells its own story: down by V_b, reversed; no
//! change although the supply shows V_b, not in the loop; no change and the supply shows the
//! device's voltage, across the device; another channel's terminals rise, loads exchanged.
//!
//! A fixed supply that can't be switched shows only in the sum, and is judged by [`super::idle`].

use super::check::{Check, Figure, Reason};
use super::expect::STEADY_LIGHT;
use crate::quantities::Volts;

/// How far the rise may lie from the stated voltage: share of it, for supply and voltmeter...
const SHARE: f64 = 0.05;
/// ...and fixed part (V), for a device that drifts in between.
const FLOOR: Volts = Volts(0.15);
/// A rise within this share of the stated voltage is none.
const NOTHING_SHARE: f64 = 0.25;

/// What was seen while the supply came on.
#[derive(Clone, Debug, PartialEq)]
pub struct Rise {
    /// The voltage it is set to (V).
    pub stated: Volts,
    /// The load's terminals before and after (V).
    pub load: (Volts, Volts),
    /// Expanded uncertainty of the difference (V).
    pub uncertainty: Volts,
    /// What the supply measures at its own terminals once it is on, where it is asked (V).
    pub supply: Option<Volts>,
    /// Other channels' loads whose terminals changed: name and change (V).
    pub others: Vec<(String, Volts)>,
}

impl Rise {
    /// How far the rise may lie from the stated voltage (V).
    #[must_use]
    pub fn room(&self) -> Volts {
        self.stated * SHARE + FLOOR + self.uncertainty
    }
}

/// Judges the rise once more, where the load's terminals came back to `again` when the supply was off:
/// half of the device's own drift lay in it.
#[must_use]
pub fn wiring_between(seen: &Rise, again: Volts) -> Check {
    let before = (seen.load.0 + again) / 2.0;
    let check = wiring(&Rise { load: (before, seen.load.1), ..seen.clone() });
    let drift = again - seen.load.0;
    if check.reason.is_none() || drift.abs() <= seen.room() {
        return check;
    }
    check.not_in_this_light(format!(
        "the device's own voltage moved by {:.2} V meanwhile; {STEADY_LIGHT}",
        drift.0
    ))
}

/// Judges the boost supply's wiring.
#[must_use]
pub fn wiring(seen: &Rise) -> Check {
    let rise = seen.load.1 - seen.load.0;
    let stated = seen.stated;
    let room = seen.room();
    let found = Some(Figure::sure(rise.0, seen.uncertainty.0, "V"));
    let limit = format!("{:.2} V to {:.2} V", (stated - room).0, (stated + room).0);
    let check = Check::passed("rise of the load's voltage, boost on", found, limit);
    let near = |volts: Volts, wanted: Volts| (volts - wanted).abs() <= room;
    if near(rise, stated) {
        return check;
    }
    if near(rise, -stated) {
        let says = "the boost supply opposes the device: its poles are exchanged. Switch it off, \
                    disconnect under the rules of your site, exchange its two leads: its plus \
                    belongs to the device's minus, its minus to the load's, see `cresthold wiring`";
        return check.failed(Reason::BoostReversed, says);
    }
    if rise.abs() > stated * NOTHING_SHARE + seen.uncertainty {
        return check.failed(Reason::BoostVolts, other_voltage(seen, rise));
    }
    if let Some((name, change)) = seen.others.iter().find(|(_, change)| near(change.abs(), stated))
    {
        let says = format!(
            "this channel's boost supply came on, and the load of {name} saw it ({:.2} V) instead \
             of this one's: the loads of the two channels are exchanged, or their links are",
            change.0
        );
        return check.failed(Reason::Exchanged, says);
    }
    match seen.supply {
        Some(supply) if near(supply, stated) => check.failed(
            Reason::BoostNotInLoop,
            "the boost supply is on and shows its voltage, but the load doesn't see it: it is not \
             in the loop. Its leads are open, or the loop goes around it",
        ),
        Some(supply) if supply > stated + room && near(supply, seen.load.1) => check.failed(
            Reason::BoostAcross,
            "the supply's terminals show the device's voltage: it lies across the device and not \
             in series. Disconnect it before anything else",
        ),
        Some(_) => check.failed(
            Reason::BoostSilent,
            "the boost supply says that its output is on, but there is no voltage: look for a \
             tripped protection, a remote-sense error, an inhibit input",
        ),
        None => check.failed(
            Reason::BoostNotInLoop,
            "the boost supply is on, but the load doesn't see it: it is not in the loop or gives \
             no voltage. State measured = true to tell the two apart",
        ),
    }
}

fn other_voltage(seen: &Rise, rise: Volts) -> String {
    let stated = seen.stated.0;
    match seen.supply {
        Some(supply) if (supply - rise).abs() <= seen.stated * SHARE + FLOOR => format!(
            "the boost supply gives {:.2} V instead of {stated} V, by its own voltmeter and by the \
             load's; check range, sense leads and setting, or state its true volts",
            supply.0
        ),
        Some(supply) => format!(
            "the load rises by {:.2} V, the boost supply shows {:.2} V, stated are {stated} V; \
             check its sense leads, and that nothing else lies in the loop",
            rise.0, supply.0
        ),
        None => format!(
            "the load rises by {:.2} V, stated are {stated} V; check the supply's setting, or state \
             its true volts",
            rise.0
        ),
    }
}
