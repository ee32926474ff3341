//! The pages that commands write, in a browser without a screen: no line on its console, no request, the texts and
//! pictures that were written, and a print.
#![allow(clippy::unwrap_used, reason = "in tests, also outside #[test] functions")]
#![cfg(feature = "field")]

use std::path::Path;
use std::process::{Command, Output};
use tempfile::tempdir;

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

/// What the browser made of a page.
struct Shown {
    page: String,
    /// Lines on its console.
    console: Vec<String>,
    /// Who asked for something, a page or its parts; "not an origin" is the browser itself.
    asking: Vec<String>,
}

fn shown(here: &Path, page: &str) -> Shown {
    let requests = here.join("requests.json");
    let asked = [
        "--enable-logging=stderr".to_owned(),
        "--dump-dom".to_owned(),
        format!("--log-net-log={}", requests.display()),
    ];
    let output = browser(here, &asked, page);
    let said = String::from_utf8_lossy(&output.stderr);
    let requests = std::fs::read_to_string(requests).unwrap();
    assert!(requests.contains("\"constants\""), "the browser wrote what it asked for");
    let initiators = requests.split("\"initiator\":\"").skip(1);
    Shown {
        page: String::from_utf8(output.stdout).unwrap(),
        console: said.lines().filter(|line| line.contains("CONSOLE")).map(str::to_owned).collect(),
        asking: initiators
            .filter_map(|rest| rest.split('"').next())
            .filter(|one| *one != "not an origin")
            .map(str::to_owned)
            .collect(),
    }
}

/// How many bytes a page takes once printed.
fn printed(here: &Path, page: &str) -> usize {
    let print = here.join("print.pdf");
    browser(here, &[format!("--print-to-pdf={}", print.display())], page);
    let print = std::fs::read(print).unwrap();
    assert!(print.starts_with(b"%PDF-"));
    print.len()
}

/// The page, once the browser has shown it without a word and without a request, and printed it.
fn fit(here: &Path, page: &str) -> String {
    let shown = shown(here, page);
    assert!(shown.console.is_empty(), "{:?}", shown.console);
    assert!(shown.asking.is_empty(), "{:?}", shown.asking);
    std::fs::write(here.join("empty.html"), "<!doctype html><title>empty</title>").unwrap();
    assert!(printed(here, page) > 2 * printed(here, "empty.html"), "more than an empty sheet");
    shown.page
}

fn assert_has(page: &str, texts: &[&str]) {
    for text in texts {
        assert!(page.contains(text), "{text}");
    }
}

/// Else the tests below could not fail.
#[test]
#[ignore = "needs chromium in the PATH: cargo test --test browser -- --ignored"]
fn a_page_that_talks_and_asks_is_noticed() {
    let scratch = tempdir().unwrap();
    let here = scratch.path();
    let page = "<!doctype html><title>bad</title><img src=\"http://127.0.0.1:9/a.png\">\
                <script>console.log(\"hello\")</script>";
    std::fs::write(here.join("bad.html"), page).unwrap();
    let shown = shown(here, "bad.html");
    assert_eq!((shown.console.len(), shown.asking.len()), (1, 1), "{:?}", shown.asking);
}

#[test]
#[ignore = "needs chromium in the PATH: cargo test --test browser -- --ignored"]
fn the_page_of_a_season() {
    let scratch = tempdir().unwrap();
    let here = scratch.path();
    let curves = ("# every_s = 600.0", "every_s = 600.0");
    let station = cresthold(here, "station").replace(curves.0, curves.1);
    std::fs::write(here.join("yard.toml"), station).unwrap();
    cresthold(here, "run yard.toml --speed max --for 24h --log yard.sqlite --quiet");
    cresthold(here, "season yard.sqlite --gamma -0.4 --page season.html");
    assert_has(&fit(here, "season.html"), &["What a campaign came to", "Curves over time"]);
}

#[test]
#[ignore = "needs chromium in the PATH: cargo test --test browser -- --ignored"]
fn the_page_of_a_comparison() {
    let scratch = tempdir().unwrap();
    let here = scratch.path();
    cresthold(
        here,
        "compare --tracker crest-line --tracker perturb-and-observe:step_volts=0.5% --device crystalline-module \
         --scenario high-* --seeds 3 --quiet --page comparison.html",
    );
    let page = fit(here, "comparison.html");
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
    let scratch = tempdir().unwrap();
    let here = scratch.path();
    cresthold(
        here,
        "tune --device crystalline-module --scenario high-50 --values 0.5%,1% --periods 0.1s,0.4s \
         --seeds 3 --quiet --page map.html",
    );
    let page = fit(here, "map.html");
    assert_has(&page, &["perturb-and-observe", "[channel.tracker]"]);
    assert_eq!(page.matches("<svg").count(), 1);
}
