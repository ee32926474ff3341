//! The Modbus codec against published values, and its laws.

#![allow(clippy::unwrap_used, reason = "a test that fails may panic")]
#![allow(clippy::float_cmp, reason = "what is encoded exactly must come back exactly")]

use cresthold_sim::modbus::{
    Answer, Exception, Format, Framing, Heard, Kind, MAX_FRAME, ReplyError, Request, RequestError,
    Table, WordOrder, crc,
};
use proptest::prelude::*;

const RTU: Framing = Framing::Rtu;

fn frame(request: &Request, framing: Framing) -> Vec<u8> {
    let mut out = Vec::new();
    request.write(framing, &mut out);
    out
}

#[test]
fn crc_of_published_frames() {
    // CRC catalogue, CRC-16/MODBUS.
    assert_eq!(crc(b"123456789"), 0x4B37);
    // Frames whose CRC was computed by an independent program (sent low byte first).
    let frames: [(&[u8], [u8; 2]); 3] = [
        (&[0x01, 0x03, 0x00, 0x00, 0x00, 0x0A], [0xC5, 0xCD]),
        (&[0x11, 0x03, 0x00, 0x6B, 0x00, 0x03], [0x76, 0x87]),
        (&[0x01, 0x04, 0x02, 0xFF, 0xFF], [0xB8, 0x80]),
    ];
    for (bytes, sum) in frames {
        assert_eq!(crc(bytes).to_le_bytes(), sum, "{bytes:02X?}");
    }
}

#[test]
fn the_specifications_examples() {
    // Application protocol V1.1b3, 6.3: registers 108 to 110 are at addresses 107 to 109 and hold
    // 022B, 0000, 0064 (from memory; the request is the frame above).
    let request = Request::read(0x11, Table::Holding, 0x6B, 3).unwrap();
    assert_eq!(frame(&request, RTU), [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87]);
    let mut reply = Vec::new();
    request.write_answer(RTU, &[0x022B, 0, 0x0064], &mut reply);
    assert_eq!(reply[..9], [0x11, 0x03, 0x06, 0x02, 0x2B, 0x00, 0x00, 0x00, 0x64]);
    // 6.1: coils 20 to 38 read as CD 6B 05, coil 20 in the lowest place of CD (from memory).
    let request = Request::read(1, Table::Coils, 0x13, 19).unwrap();
    let answer = Answer::Bits(&[0xCD, 0x6B, 0x05]);
    let bits: Vec<u16> = (0..19).map(|index| answer.get(index).unwrap()).collect();
    assert_eq!(bits[..8], [1, 0, 1, 1, 0, 0, 1, 1]);
    request.write_answer(RTU, &bits, &mut reply);
    assert_eq!(reply[..6], [0x01, 0x01, 0x03, 0xCD, 0x6B, 0x05]);
    // The reply above with one input register of all ones.
    let request = Request::read(1, Table::Input, 0, 1).unwrap();
    let found = request.parse(RTU, &[0x01, 0x04, 0x02, 0xFF, 0xFF, 0xB8, 0x80]).unwrap();
    assert_eq!(found.get(0), Some(0xFFFF));
    assert_eq!(found.get(1), None);
}

#[test]
fn tcp_frames_carry_transaction_and_length() {
    let request = Request::read(7, Table::Input, 0x0102, 2).unwrap();
    let tcp = Framing::Tcp { transaction: 0xABCD };
    assert_eq!(frame(&request, tcp), [0xAB, 0xCD, 0, 0, 0, 6, 7, 4, 1, 2, 0, 2]);
    let mut reply = Vec::new();
    request.write_answer(tcp, &[1, 2], &mut reply);
    assert_eq!(request.parse(tcp, &reply), Ok(Answer::Words(&[0, 1, 0, 2])));
    let other = Framing::Tcp { transaction: 0xABCE };
    assert_eq!(request.parse(other, &reply), Err(ReplyError::Transaction { found: 0xABCD }));
    reply[2] = 1;
    assert_eq!(request.parse(tcp, &reply), Err(ReplyError::Foreign));
}

#[test]
fn what_is_no_answer_is_told_apart() {
    let request = Request::read(1, Table::Input, 0, 1).unwrap();
    let answer = |to: Request, values: &[u16]| {
        let mut reply = Vec::new();
        to.write_answer(RTU, values, &mut reply);
        reply
    };
    let other = Request::read(2, Table::Input, 0, 1).unwrap();
    assert_eq!(request.parse(RTU, &answer(other, &[5])), Err(ReplyError::Unit { found: 2 }));
    let other = Request::read(1, Table::Holding, 0, 1).unwrap();
    assert_eq!(request.parse(RTU, &answer(other, &[5])), Err(ReplyError::Function { found: 3 }));
    let other = Request::read(1, Table::Input, 0, 2).unwrap();
    assert_eq!(request.parse(RTU, &answer(other, &[5, 6])), Err(ReplyError::Length));
    let mut reply = answer(request, &[5]);
    reply[3] ^= 1;
    assert_eq!(request.parse(RTU, &reply), Err(ReplyError::Crc));
    for code in [1, 2, 3, 4, 5, 6, 8, 10, 11, 77] {
        let exception = Exception::from_code(code);
        assert_eq!(exception.code(), code);
        assert!(exception.to_string().contains(&format!("exception {code}")));
        exception.write(RTU, 1, 4, &mut reply);
        assert_eq!(request.reply_length(RTU, &reply[..2]), Ok(Some(5)));
        assert_eq!(request.parse(RTU, &reply), Err(ReplyError::Refused(exception)));
    }
    let echo = Request::echo(1, 0x1234);
    assert_eq!(echo.parse(RTU, &answer(echo, &[])), Ok(Answer::Echoed));
    let stale = answer(Request::echo(1, 0x1233), &[]);
    assert_eq!(echo.parse(RTU, &stale), Err(ReplyError::Echo { found: 0x1233 }));
}

#[test]
fn requests_that_cannot_be() {
    let wrong = Request::read(1, Table::Holding, 0, 126);
    assert_eq!(wrong, Err(RequestError::Count { count: 126, most: 125 }));
    assert!(Request::read(1, Table::Holding, 0, 0).is_err());
    let wrong = Request::read(1, Table::Input, u16::MAX, 2);
    assert_eq!(wrong, Err(RequestError::Address { address: u16::MAX, count: 2 }));
    assert!(Request::read(1, Table::Input, u16::MAX, 1).is_ok());
    // A device refuses them by the exceptions of the specification.
    let mut bytes = vec![1, 3, 0, 0, 0, 126];
    bytes.extend_from_slice(&crc(&bytes).to_le_bytes());
    let Heard::Refused { exception, length, .. } = Request::hear_rtu(&bytes) else { panic!() };
    assert_eq!((exception, length), (Exception::IllegalValue, 8));
    let mut bytes = vec![1, 6, 0, 0, 0, 1];
    bytes.extend_from_slice(&crc(&bytes).to_le_bytes());
    let Heard::Refused { exception, .. } = Request::hear_rtu(&bytes) else { panic!() };
    assert_eq!(exception, Exception::IllegalFunction);
}

#[test]
fn numbers_in_known_registers() {
    let high = |kind| Format { kind, order: WordOrder::HighFirst };
    let low = |kind| Format { kind, order: WordOrder::LowFirst };
    // IEEE 754: -118.625 is 0xC2ED4000 in single precision, a textbook example (from memory).
    assert_eq!(high(Kind::F32).encode(-118.625), [0xC2ED, 0x4000]);
    assert_eq!(low(Kind::F32).encode(-118.625), [0x4000, 0xC2ED]);
    assert_eq!(high(Kind::F64).encode(1.0), [0x3FF0, 0, 0, 0]);
    assert_eq!(low(Kind::I32).encode(-2.0), [0xFFFE, 0xFFFF]);
    assert_eq!(high(Kind::I16).encode(-40_000.0), [0x8000]);
    assert_eq!(high(Kind::U16).encode(-1.0), [0]);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whole_numbers_come_back(
        value in i16::MIN..=i16::MAX,
        swapped: bool,
        kind in prop::sample::select(vec![Kind::I16, Kind::I32, Kind::F32, Kind::F64]),
    ) {
        let order = if swapped { WordOrder::LowFirst } else { WordOrder::HighFirst };
        let format = Format { kind, order };
        let words = format.encode(f64::from(value));
        prop_assert_eq!(format.decode(|at| words.get(at).copied()), Some(f64::from(value)));
        prop_assert_eq!(format.decode(|at| words.get(at + 1).copied()), None);
    }

    #[test]
    fn a_request_is_heard_as_it_was_made(
        unit: u8,
        table in prop::sample::select(Table::ALL.to_vec()),
        address: u16,
        count in 1_u16..=125,
        transaction: u16,
        serial: bool,
    ) {
        prop_assume!(address.checked_add(count - 1).is_some());
        let request = Request::read(unit, table, address, count).unwrap();
        let framing = if serial { RTU } else { Framing::Tcp { transaction } };
        let bytes = frame(&request, framing);
        let hear = |bytes: &[u8]| {
            if serial { Request::hear_rtu(bytes) } else { Request::hear_tcp(bytes) }
        };
        prop_assert_eq!(hear(&bytes), Heard::Request { length: bytes.len(), framing, request });
        for end in 0..bytes.len() {
            prop_assert_eq!(hear(&bytes[..end]), Heard::More);
        }
        let values: Vec<u16> = (0..count).map(|at| if table.is_bits() { at % 2 } else { at }).collect();
        let mut reply = Vec::new();
        request.write_answer(framing, &values, &mut reply);
        prop_assert!(reply.len() <= MAX_FRAME);
        prop_assert_eq!(request.reply_length(framing, &reply), Ok(Some(reply.len())));
        let answer = request.parse(framing, &reply).unwrap();
        for (at, value) in values.iter().enumerate() {
            prop_assert_eq!(answer.get(at), Some(*value));
        }
    }

    /// A CRC of 16 bits finds every burst of up to 16 bits (Peterson and Brown 1961, from memory).
    #[test]
    fn a_burst_of_errors_is_found(start in 0_usize..56, burst: u16) {
        prop_assume!(burst != 0);
        let request = Request::read(1, Table::Input, 0, 1).unwrap();
        let mut reply = Vec::new();
        request.write_answer(RTU, &[0x1234], &mut reply);
        let whole = u128::from(burst) << start;
        let mask = whole & ((1 << (8 * reply.len())) - 1);
        prop_assume!(mask != 0);
        // Bits travel lowest first, so a burst lies within little-endian bits.
        for (byte, wrong) in reply.iter_mut().zip(mask.to_le_bytes()) {
            *byte ^= wrong;
        }
        prop_assert!(request.parse(RTU, &reply).is_err());
    }

    #[test]
    fn no_bytes_make_it_fail_loudly(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let request = Request::read(1, Table::Input, 0, 4).unwrap();
        for framing in [RTU, Framing::Tcp { transaction: 1 }] {
            let _ = request.parse(framing, &bytes);
            let _ = request.reply_length(framing, &bytes);
        }
        let _ = Request::hear_rtu(&bytes);
        let _ = Request::hear_tcp(&bytes);
    }
}
