//! Frames: what is put around a function and its data.

/// Longest frame (bytes): 256 on a serial line, 260 on TCP.
pub const MAX_FRAME: usize = 260;
/// Bytes before the unit in a TCP frame: transaction, protocol, length.
pub(super) const PREFIX: usize = 6;
/// Bytes of a CRC.
pub(super) const CRC: usize = 2;

/// How frames look on the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Framing {
    /// Serial line: unit, function, data, CRC.
    Rtu,
    /// TCP: transaction, protocol 0, length, unit, function, data.
    Tcp {
        /// The number that ties a reply to its request.
        transaction: u16,
    },
}

/// The CRC-16 of serial frames: polynomial 0x8005 reflected, begun with 0xFFFF, nothing added at the
/// end. It goes out low byte first.
///
/// ```
/// // The check value of CRC-16/MODBUS in the catalogue of parametrised CRC algorithms.
/// assert_eq!(cresthold_sim::modbus::crc(b"123456789"), 0x4B37);
/// ```
#[must_use]
pub fn crc(bytes: &[u8]) -> u16 {
    /// 0x8005 with its bits reversed.
    const POLYNOMIAL: u16 = 0xA001;
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| {
            if crc & 1 == 1 { (crc >> 1) ^ POLYNOMIAL } else { crc >> 1 }
        })
    })
}

impl Framing {
    /// Puts `unit` and `pdu` (function and data) into `out`, framed; `out` is emptied first.
    pub(super) fn wrap(self, unit: u8, pdu: &[u8], out: &mut Vec<u8>) {
        out.clear();
        if let Self::Tcp { transaction } = self {
            let length = u16::try_from(pdu.len() + 1).unwrap_or(u16::MAX);
            out.extend_from_slice(&transaction.to_be_bytes());
            out.extend_from_slice(&[0, 0]);
            out.extend_from_slice(&length.to_be_bytes());
        }
        out.push(unit);
        out.extend_from_slice(pdu);
        if self == Self::Rtu {
            let sum = crc(out);
            out.extend_from_slice(&sum.to_le_bytes());
        }
    }
}

/// Unit and PDU of a serial frame with a right CRC.
pub(super) fn unwrap_rtu(frame: &[u8]) -> Option<(u8, &[u8])> {
    let body = frame.len().checked_sub(CRC)?;
    let (body, sum) = frame.split_at(body);
    let (unit, pdu) = body.split_first()?;
    (crc(body).to_le_bytes() == sum && !pdu.is_empty()).then_some((*unit, pdu))
}

/// The length a TCP frame states for itself, once its prefix is there; an error for what is no
/// Modbus.
pub(super) fn tcp_length(begin: &[u8]) -> Option<Result<usize, ()>> {
    let prefix = begin.first_chunk::<PREFIX>()?;
    let length = usize::from(u16::from_be_bytes([prefix[4], prefix[5]]));
    // A unit and a function at least.
    let sound = prefix[2..4] == [0, 0] && length >= 2 && PREFIX + length <= MAX_FRAME;
    Some(if sound { Ok(PREFIX + length) } else { Err(()) })
}

/// Transaction, unit and PDU of a whole TCP frame.
pub(super) fn unwrap_tcp(frame: &[u8]) -> Option<(u16, u8, &[u8])> {
    let length = tcp_length(frame)?.ok()?;
    let (prefix, rest) = frame.get(..length)?.split_first_chunk::<PREFIX>()?;
    let (unit, pdu) = rest.split_first()?;
    Some((u16::from_be_bytes([prefix[0], prefix[1]]), *unit, pdu))
}
