//! Station files that are right.

use cresthold::station::Station;

#[test]
fn rehearsal_reads() {
    match Station::parse("rehearsal.toml", Station::REHEARSAL) {
        Ok(station) => println!("{station:#?}"),
        Err(error) => panic!("{error}"),
    }
}
