//! The pages that commands write, in a browser without a screen: no line on its console, no request, the texts and
//! pictures that were written, and a print.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]
#![cfg(feature = "field")]

use std::path::Path;
use std::process::{Command, Output};
use tempfile::TempDir;

fn cresthold(here: &Path, arguments: &str) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_cresthold"));
    let done = command.args(arguments.split(' ')).current_dir(here).output().unwrap();
    assert!(done.status.success(), "{arguments}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).unwrap()
}

fn browser(here: &Path, arguments: &[String], page: &str) -> Output {
    Command::new("chromium")
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync"])
        .args(["--disable-background-networking", "--disable-component-update", "--disable-quic"])
        .arg(format!("--user-data-dir={}", here.join("profile").display()))
        .args(arguments)
        .arg(format!("file://{}", here.join(page).display()))
        .output()
        .expect("chromium starts")
}

/// The page as the browser took it up, once it has shown and printed it without a word and without a request.
fn shown(here: &Path, page: &str) -> String {
    let requests = here.join("requests.json");
    let asked = [
        "--enable-logging=stderr".to_owned(),
        "--dump-dom".to_owned(),
        format!("--log-net-log={}", requests.display()),
    ];
    let output = browser(here, &asked, page);
    let said = String::from_utf8_lossy(&output.stderr);
    let console: Vec<&str> = said.lines().filter(|line| line.contains("CONSOLE")).collect();
    assert!(console.is_empty(), "{console:?}");
    let requests = std::fs::read_to_string(requests).unwrap();
    assert!(requests.contains("\"constants\""), "the browser wrote what it asked for");
    // The browser asks for things of its own, which have no origin; a page's requests have the page's.
    let others = requests.split("\"initiator\":\"").skip(1);
    let of_page: Vec<&str> = others
        .filter_map(|rest| rest.split('"').next())
        .filter(|one| *one != "not an origin")
        .collect();
    assert!(of_page.is_empty(), "{of_page:?}");

    let print = here.join("print.pdf");
    browser(here, &[format!("--print-to-pdf={}", print.display())], page);
    let print = std::fs::read(print).unwrap();
    assert!(print.starts_with(b"%PDF-") && print.len() > 10_000, "{} bytes", print.len());
    String::from_utf8(output.stdout).unwrap()
}

fn assert_has(page: &str, texts: &[&str]) {
    for text in texts {
        assert!(page.contains(text), "{text}");
    }
}

fn scratch() -> TempDir {
    tempfile::tempdir().unwrap()
}

#[test]
#[ignore = "needs chromium in the PATH: cargo test --test browser -- --ignored"]
fn the_page_of_a_season() {
    let scratch = scratch();
    let here = scratch.path();
    let curves = ("# every_s = 600.0", "every_s = 600.0");
    let station = cresthold(here, "station").replace(curves.0, curves.1);
    std::fs::write(here.join("yard.toml"), station).unwrap();
    cresthold(here, "run yard.toml --speed max --for 24h --log yard.sqlite --quiet");
    cresthold(here, "season yard.sqlite --gamma -0.4 --page season.html");
    assert_has(&shown(here, "season.html"), &["What a campaign came to", "Curves over time"]);
}

#[test]
#[ignore = "needs chromium in the PATH: cargo test --test browser -- --ignored"]
fn the_page_of_a_comparison() {
    let scratch = scratch();
    let here = scratch.path();
    cresthold(
        here,
        "compare --tracker crest-line --tracker perturb-and-observe:step_volts=0.5% --device crystalline-module \
         --scenario high-* --seeds 3 --quiet --page comparison.html",
    );
    let page = shown(here, "comparison.html");
    let pictures = [
        "Loss by scenario on crystalline-module",
        "Loss by slope on crystalline-module",
        "Power and voltage beside the crest",
    ];
    assert_has(&page, &pictures);
}

#[test]
#[ignore = "needs chromium in the PATH: cargo test --test browser -- --ignored"]
fn the_page_of_a_tuning() {
    let scratch = scratch();
    let here = scratch.path();
    cresthold(
        here,
        "tune --device crystalline-module --scenario high-50 --values 0.5%,1% --periods 0.1s,0.4s \
         --seeds 3 --quiet --page map.html",
    );
    let page = shown(here, "map.html");
    assert_has(&page, &["perturb-and-observe", "[channel.tracker]"]);
    assert_eq!(page.matches("<svg").count(), 1);
}
