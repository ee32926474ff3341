//! `cresthold commission` as a person and a script meet it: consent, exit codes, page, JSON.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test: what is not there fails it")]

mod commission_yard;

use commission_yard::{NOON, Parts, Yard, lies_in};
use std::process::{Command, Output, Stdio};

fn commission(yard: &Yard, more: &[&str]) -> Output {
    let file = yard.write_station();
    let log = yard.log();
    Command::new(env!("CARGO_BIN_EXE_cresthold"))
        .args(["commission", file.to_str().unwrap(), "--log", log.to_str().unwrap(), "--at", NOON])
        .args(more)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

#[test]
fn nobody_there_means_no() {
    let yard = Yard::new(&[Parts::default()]);
    let output = commission(&yard, &[]);
    assert_eq!(output.status.code(), Some(9));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.contains("--yes") && said.contains("no terminal"), "{said}");
    assert!(!yard.log().exists(), "nothing was begun");
}

#[test]
fn a_sound_bench_gives_a_page_and_a_proposal() {
    let yard = Yard::new(&[Parts::default()]);
    let page = yard.folder.path().join("page.html");
    let output = commission(&yard, &["--yes", "--page", page.to_str().unwrap()]);
    let told = String::from_utf8(output.stdout).unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(0), "{told}{said}");
    for word in ["settling, time constant", "passed", "period_s = ", "page to sign"] {
        assert!(told.contains(word), "{word:?} is missing in {told}");
    }
    assert!(said.contains("CAUTION"), "{said}");
    lies_in(
        &page,
        &["<!doctype html>", "Signature", "wiring of channel slope-0", "Larkfell test yard"],
    );
}

#[test]
fn findings_have_a_code_of_their_own_and_json() {
    let yard = Yard::new(&[Parts { identity: "OTHER", ..Parts::default() }]);
    let output = commission(&yard, &["--yes", "--json"]);
    assert_eq!(output.status.code(), Some(8));
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(report["outcome"], "failed");
    assert_eq!(report["channels"][0]["checks"][0]["reason"], "identity");
    let pages = std::fs::read_dir(yard.folder.path()).unwrap();
    let made = |name: &str| {
        name.starts_with("larkfell-commission-20160615T1130") && name.ends_with("Z.html")
    };
    let found = pages.filter(|entry| made(entry.as_ref().unwrap().file_name().to_str().unwrap()));
    assert_eq!(found.count(), 1, "the page lies beside the log");
}
