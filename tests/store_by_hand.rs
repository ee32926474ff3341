//! The writer without its thread: it works when it is told to, on the clock it is given.
#![cfg(feature = "field")]
#![allow(clippy::unwrap_used, reason = "helpers of tests stand outside the test functions")]

mod store_common;

use cresthold::control::record::Record;
use cresthold::store::{Book, ByHand, COMMIT_INTERVAL, Reader, Writer};
use std::path::Path;
use std::time::{Duration, Instant};
use store_common::{EVER, facts, place, sample};

/// The runtime's time, which is paused.
fn paused() -> Instant {
    tokio::time::Instant::now().into_std()
}

fn start(path: &Path) -> (Writer, ByHand) {
    let book = Book::new(path, facts());
    Writer::by_hand(book.open().unwrap(), book, paused)
}

fn samples(path: &Path) -> usize {
    let reader = Reader::open(path).unwrap();
    let east = reader.channels().unwrap()[0].id;
    reader.samples(east, EVER.0, EVER.1).unwrap().len()
}

#[tokio::test(start_paused = true)]
async fn it_commits_when_that_is_due_on_its_clock() {
    let (_folder, path) = place();
    let (writer, hand) = start(&path);
    writer.handle().offer(Record::Sample(sample(0, 1.0)));
    hand.turn();
    let status = writer.status();
    assert_eq!((status.rows.samples, status.waiting), (0, 1), "{status:?}");
    tokio::time::advance(COMMIT_INTERVAL).await;
    hand.turn();
    let status = writer.status();
    assert_eq!((status.rows.samples, status.waiting), (1, 0), "{status:?}");
    writer.handle().offer(Record::Sample(sample(0, 2.0)));
    assert_eq!(writer.finish().unwrap().rows.samples, 2);
    assert_eq!(samples(&path), 2);
}

#[tokio::test(start_paused = true)]
async fn dropped_it_keeps_what_was_committed_and_no_more() {
    let (_folder, path) = place();
    let (writer, hand) = start(&path);
    writer.handle().offer(Record::Sample(sample(0, 1.0)));
    tokio::time::advance(COMMIT_INTERVAL + Duration::from_millis(1)).await;
    hand.turn();
    writer.handle().offer(Record::Sample(sample(0, 2.0)));
    hand.turn();
    drop((writer, hand));
    assert_eq!(samples(&path), 1);
}
