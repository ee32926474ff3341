//! What a channel's controller heard and did is recorded, and replays to the same actions.
//!
//! Model: the daemon's own tasks ([`Field`](cresthold::daemon::field::Field)) live through hours with
//! faults in virtual time, on the fault matrix's yard, and record; a fresh controller is told the
//! same. Then something is changed, and is found at its line.

#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails is a test that fails")]

#[path = "../fault_matrix/cell.rs"]
#[allow(dead_code, reason = "each test binary uses its own part")]
mod cell;
mod command;
#[path = "../noon/mod.rs"]
mod noon;
#[path = "../oracle/mod.rs"]
mod oracle;
mod run;
#[path = "../fault_matrix/yard.rs"]
#[allow(dead_code, reason = "each test binary uses its own part")]
mod yard;

use cresthold::quantities::Volts;
use cresthold::recording::{End, ReadError, Recording, ReplayError, Replayed, replay};
use cresthold::station::Station;
use cresthold::trackers::{PerturbAndObserveConfig, TrackerConfig};
use run::{Ran, Wish, record};
use std::sync::OnceLock;
use std::time::Duration;

const HOUR: Duration = Duration::from_secs(3600);

/// Hours with a fault every half a minute, recorded once for all tests.
fn hours() -> &'static Ran {
    static RAN: OnceLock<Ran> = OnceLock::new();
    RAN.get_or_init(|| record(&Wish { length: 3 * HOUR, ..Wish::default() }))
}

fn again(text: &[u8], station: Option<&Station>) -> Result<Replayed, ReplayError> {
    let mut recording = Recording::new(text)?;
    replay(&mut recording, station)
}

/// The line of that number (1..), as written.
fn line(text: &str, number: u64) -> &str {
    text.lines().nth(usize::try_from(number).unwrap() - 1).unwrap()
}

/// The text with the words of a line changed and all seals put right, as a program that recorded
/// something else would have written it.
fn rewritten(text: &str, number: u64, change: impl Fn(&str) -> String) -> String {
    // FNV-1a over all words so far, folded to 32 bits: the format's promise.
    let mut state = 0xcbf2_9ce4_8422_2325_u64;
    let mut all = String::with_capacity(text.len());
    for (index, line) in text.lines().enumerate() {
        let words = &line[9..];
        let words = if index as u64 + 1 == number { change(words) } else { words.to_owned() };
        for byte in words.bytes().chain([b'\n']) {
            state = (state ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
        let seal = (state ^ (state >> 32)) & 0xffff_ffff;
        all.push_str(&format!("{seal:08x} {words}\n"));
    }
    all
}

/// The number of the first line whose words begin so, from the `from`-th on.
fn find(text: &str, from: u64, begins: &str) -> u64 {
    let found =
        (1..).zip(text.lines()).find(|(at, line)| *at >= from && line[9..].starts_with(begins));
    found.unwrap_or_else(|| panic!("no line {begins:?}")).0
}

#[test]
fn hours_with_faults_replay_to_the_same_actions() {
    let ran = hours();
    let replayed = again(ran.text.as_bytes(), None).unwrap();
    let turns = 3 * 3600 * 10;
    let bytes = ran.text.len() as u64 / (3 * HOUR.as_secs());
    println!("{} faults, {replayed:?}, {bytes} bytes a second", ran.faults);
    assert_eq!(replayed.difference, None);
    assert_eq!(replayed.end, Some(End::Whole));
    // Each turn has three inputs: wake, reading, done. A third may go to waits and rests.
    assert!(replayed.inputs > 2 * turns, "{}", replayed.inputs);
    // What happened: faults of all kinds, links lost and found, limits, curves.
    assert!(ran.faults > 250, "{}", ran.faults);
    for word in [
        "LinkLost",
        "LetGo",
        "TrackingBegan",
        "told Curve(",
        "told Minute(",
        "told Sample(",
        "heard 0 ",
        " prepared true ",
        " failed",
        " stop",
        "did ",
    ] {
        assert!(ran.text.contains(word), "{word}: no such thing in the recording");
    }
}

#[test]
fn a_recording_is_the_same_from_the_same_seed() {
    let [first, second] = [(); 2]
        .map(|()| record(&Wish { length: HOUR / 6, faults_every: 20, ..Wish::default() }).text);
    assert_eq!(first, second);
}

/// Another step of the tracker: found where the first setpoint is another.
#[test]
fn a_changed_setting_is_found_with_its_line() {
    let ran = hours();
    let mut other = ran.station.clone();
    let step = Volts(0.25);
    other.channels[0].control.tracker =
        TrackerConfig::PerturbAndObserve(PerturbAndObserveConfig { step });
    let difference = again(ran.text.as_bytes(), Some(&other)).unwrap().difference.unwrap();
    println!("{difference:?}");
    assert!(difference.expected.contains("SetVoltage"), "{difference:?}");
    assert!(difference.got.contains("SetVoltage"), "{difference:?}");
    assert_eq!(&line(&ran.text, difference.line)[9..], difference.expected);
    assert!(line(&ran.text, difference.input_line)[9..].starts_with("heard "));
    // Nothing but the settings is another: the same station in other hands is the same.
    assert_eq!(again(ran.text.as_bytes(), Some(&ran.station)).unwrap().difference, None);
}

/// An input that was another one: found at what came of it.
#[test]
fn a_changed_input_is_found_with_its_line() {
    let text = &hours().text;
    let first = find(text, 1, "told Event(Event { channel: Some(ChannelId(0)), at: ");
    let tracks = find(text, first + 1000, "heard ");
    let reading = (tracks..)
        .find(|at| {
            line(text, *at)[9..].starts_with("heard ") && line(text, *at).contains(" reading ")
        })
        .unwrap();
    let failed = rewritten(text, reading, |words| {
        format!("{} failed", words.split_once(" reading ").unwrap().0)
    });
    let difference = again(failed.as_bytes(), None).unwrap().difference.unwrap();
    assert_eq!((difference.input_line, difference.line), (reading, reading + 1), "{difference:?}");
    // The last bit of a current changes what is booked, if not what is done at once.
    let bit = rewritten(text, reading, |words| {
        let mut words: Vec<String> = words.split(' ').map(str::to_owned).collect();
        let amps: f64 = words[6].parse().unwrap();
        words[6] = format!("{:?}", f64::from_bits(amps.to_bits() ^ 1));
        words.join(" ")
    });
    let difference = again(bit.as_bytes(), None).unwrap().difference.unwrap();
    println!("{difference:?}");
    assert!((reading..reading + 100).contains(&difference.line), "{difference:?}");
    // Nothing changed, nothing found: the rewriting itself is right.
    assert_eq!(rewritten(text, reading, str::to_owned), *text);
}

/// What a worn disk or an editor changed is found at its own line, and not as an action.
#[test]
fn a_damaged_line_is_found() {
    let text = &hours().text;
    let at = find(text, 5000, "heard ");
    let place = text.lines().take(at as usize - 1).map(|line| line.len() + 1).sum::<usize>();
    let damaged = |error: ReplayError| match error {
        ReplayError::Read(ReadError::Damaged(line)) => line,
        other => panic!("{other}"),
    };
    let mut flipped = text.clone().into_bytes();
    flipped[place + 20] ^= 1;
    assert_eq!(damaged(again(&flipped, None).unwrap_err()), at);
    let line = line(text, at).len() + 1;
    let lacks = [&text.as_bytes()[..place], &text.as_bytes()[place + line..]].concat();
    assert_eq!(damaged(again(&lacks, None).unwrap_err()), at);
}

/// A power cut leaves a torn line, or pages of zeros: the recording ends before that.
#[test]
fn what_a_power_cut_leaves_is_replayed_to_its_last_line() {
    let text = &hours().text;
    let begun = text.find(" begun\n").unwrap() + " begun\n".len();
    let (mut before, mut seen) = (0, 0);
    for cut in (begun..begun + 40_000).step_by(777).chain([text.len() - 3]) {
        let mut torn = text.as_bytes()[..cut].to_vec();
        if cut % 2 == 0 {
            torn.resize(cut + 4096, 0);
            torn.push(b'\n');
        }
        let replayed = again(&torn, None).unwrap();
        assert_eq!((replayed.difference, replayed.end), (None, Some(End::Torn)), "{cut}");
        assert!(replayed.inputs >= before);
        (before, seen) = (replayed.inputs, seen + 1);
    }
    assert!(before > 200_000 && seen > 50, "{before} {seen}");
    // In its head there is nothing yet.
    let error = again(&text.as_bytes()[..begun - 30], None).unwrap_err();
    assert!(matches!(error, ReplayError::Read(ReadError::NoHead(_))), "{error}");
    for other in [&b""[..], b"\n", b"[site]\nlatitude = 7\n", &[0; 100]] {
        let error = again(other, None).unwrap_err();
        assert!(matches!(error, ReplayError::Read(ReadError::NoRecording)), "{error}");
    }
    let newer = rewritten(text, 1, |_| "cresthold recording 99".to_owned());
    let error = again(newer.as_bytes(), None).unwrap_err();
    assert!(matches!(error, ReplayError::Read(ReadError::Newer(99))), "{error}");
}

/// Where recordings go is read, and refused where they would be of no use.
#[test]
fn the_key_is_read() {
    let read = |more: &str| {
        let text = noon::station("{ tcp = \"load:1\" }", "{ tcp = \"boost:1\" }");
        Station::parse("yards/yard.toml", &format!("{text}{more}"))
    };
    assert_eq!(read("").unwrap().recording, None);
    let spec = read("[recording]\nfolder = \"heard\"\n").unwrap().recording.unwrap();
    assert_eq!((spec.folder, spec.keep_bytes), ("yards/heard".into(), 1_000_000_000));
    let spec = read("[recording]\nfolder = \"/heard\"\nkeep_mb = 20\n").unwrap().recording;
    assert_eq!(
        spec.map(|spec| (spec.folder, spec.keep_bytes)),
        Some(("/heard".into(), 20_000_000))
    );
    for (wrong, says) in [
        ("[recording]\n", "recording.folder: missing"),
        ("[recording]\nfolder = \"a\"\nkeep_mb = 0\n", "recording.keep_mb: 0 is outside 1..="),
    ] {
        let error = read(wrong).unwrap_err().to_string();
        assert!(error.contains(says), "{error}");
    }
    let simulated = format!("{}\n[recording]\nfolder = \"heard\"\n", Station::REHEARSAL);
    let error = Station::parse("plant.toml", &simulated).unwrap_err().to_string();
    assert!(error.contains("recording: a run on a plant needs no recording"), "{error}");
}

/// A recording keeps within its room, says so in the file and in the log, and holds what it has.
#[test]
fn a_full_recording_ends_and_the_run_does_not() {
    let keep = 200_000;
    let wish = Wish { length: HOUR / 6, faults_every: 1000, keep };
    let ran = record(&wish);
    assert!(ran.text.len() as u64 <= keep && ran.text.len() as u64 > keep - 10_000);
    let replayed = again(ran.text.as_bytes(), None).unwrap();
    assert_eq!((replayed.difference, replayed.end), (None, Some(End::Full)));
    let told: Vec<_> =
        ran.events.iter().filter(|(code, _)| code.starts_with("recording")).collect();
    assert!(
        matches!(told[..], [(began, _), (ended, text)]
        if began == "recording-began" && ended == "recording-ended" && text.contains("keep_mb")),
        "{told:?}"
    );
    // The run went on to its end.
    assert!(ran.samples as f64 > 0.9 * 2.0 * wish.length.as_secs_f64(), "{}", ran.samples);
}
