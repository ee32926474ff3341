//! The report for scripts and for the log.

use super::check::Check;
use super::report::{ChannelPart, Commissioning, Outcome};
use serde_json::{Value, json};

/// The whole report.
#[must_use]
pub fn report(report: &Commissioning) -> Value {
    json!({
        "station": report.station,
        "version": report.version,
        "began": report.span.0.to_string(),
        "ended": report.span.1.to_string(),
        "outcome": match report.outcome() {
            Outcome::Passed => "passed",
            Outcome::Failed => "failed",
            Outcome::Unfinished => "unfinished",
            Outcome::Declined => "declined",
            Outcome::NotOff => "not-off",
        },
        "checks": checks(&report.checks),
        "channels": report.channels.iter().map(channel).collect::<Vec<_>>(),
    })
}

/// One channel's part.
#[must_use]
pub fn channel(part: &ChannelPart) -> Value {
    let proposal = part.proposal.map(|proposal| {
        json!({
            "settling_s": proposal.settling.as_secs_f64(),
            "latency_s": proposal.latency.as_secs_f64(),
            "period_s": proposal.period.as_secs_f64(),
            "step_volts": proposal.step.map(|step| step.volts.0),
            "ramp_w_m2_s": proposal.step.map(|step| step.ramp.0),
        })
    });
    json!({
        "name": part.name,
        "instruments": part.instruments.iter()
            .map(|(what, found)| json!({ "what": what, "found": found })).collect::<Vec<_>>(),
        "energised": part.energised,
        "checks": checks(&part.checks),
        "proposal": proposal,
    })
}

fn checks(checks: &[Check]) -> Value {
    let one = |check: &Check| {
        json!({
            "what": check.what,
            "value": check.found.map(|figure| figure.value),
            "uncertainty": check.found.and_then(|figure| figure.uncertainty),
            "unit": check.found.map(|figure| figure.unit),
            "limit": check.limit,
            "verdict": check.verdict.word(),
            "reason": check.reason.map(super::Reason::word),
            "says": check.says,
        })
    };
    checks.iter().map(one).collect()
}
