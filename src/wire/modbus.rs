//! Modbus, master's side, for industrial transmitters: RTU and TCP frames of
//! functions 3 and 4, and what registers mean. Pure; the polling is
//! elsewhere.
//!
//! Terms: a PDU is function and data; RTU wraps it in the unit's number and a
//! CRC-16/MODBUS (low byte first), TCP in a seven-byte header.
//!
//! Absent on purpose: writing. This program changes nothing in a transmitter.

use crc::{CRC_16_MODBUS, Crc};

use crate::sensor::unit::Unit;

mod value;

pub use value::{Format, Value, WordOrder};

/// RTU's CRC.
pub const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);

/// The longest RTU frame, bytes.
pub const LONGEST_RTU: usize = 256;

/// Which registers are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Table {
    /// Holding registers, function 3.
    Holding,
    /// Input registers, function 4: where transmitters keep what they measure.
    #[default]
    Input,
}

impl Table {
    fn function(self) -> u8 {
        match self {
            Self::Holding => 3,
            Self::Input => 4,
        }
    }
}

/// A request to read registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Request {
    /// The transmitter's number on the line, 1 to 247.
    pub unit: u8,
    /// Which registers.
    pub table: Table,
    /// The first one's address as on the wire, counted from 0 (a manual's
    /// 30001 or 40001 is 0).
    pub address: u16,
    /// How many, 1 to 125.
    pub count: u16,
}

/// Why a reply gives no registers.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ModbusError {
    /// The CRC is wrong.
    #[error("Modbus CRC wrong: noise; check cable, termination, speed and parity")]
    Crc,
    /// A reply of another unit or function, or to another request.
    #[error(
        "a Modbus reply that is not to our request (unit {unit}, function {function}): two masters on the line, or a late reply"
    )]
    NotOurs {
        /// The unit that replied.
        unit: u8,
        /// The function it replied to.
        function: u8,
    },
    /// The byte count is not what was asked for.
    #[error("a Modbus reply of {got} bytes where {wanted} were asked for")]
    Length {
        /// Bytes said.
        got: u8,
        /// Bytes wanted.
        wanted: u16,
    },
    /// TCP's header is no Modbus header.
    #[error("no Modbus TCP header: is another service on that port?")]
    Header,
    /// The transmitter refuses.
    #[error("unit {unit} refuses: {}", exception(*.code))]
    Exception {
        /// The unit.
        unit: u8,
        /// Its exception code.
        code: u8,
    },
}

/// An exception code in words, with the remedy.
fn exception(code: u8) -> String {
    let text = match code {
        1 => "illegal function (1): try the other of holding and input",
        2 => {
            "illegal data address (2): the register's address is not there; manuals often count from 1 or 30001"
        }
        3 => "illegal data value (3): fewer registers at once, or another format",
        4 => "device failure (4): look at the transmitter",
        5 => "acknowledged, not done yet (5)",
        6 => "busy (6): poll less often",
        8 => "memory parity error (8): look at the transmitter",
        10 => "gateway path unavailable (10): look at the gateway's settings",
        11 => "gateway got no answer (11): the transmitter behind it is off or has another number",
        other => return format!("exception {other}"),
    };
    text.to_owned()
}

impl Request {
    /// Function and data.
    pub fn pdu(self) -> [u8; 5] {
        let [ah, al] = self.address.to_be_bytes();
        let [ch, cl] = self.count.to_be_bytes();
        [self.table.function(), ah, al, ch, cl]
    }

    /// The request as an RTU frame.
    ///
    /// ```
    /// use curdtrace::wire::modbus::{Request, Table};
    /// let r = Request { unit: 0x11, table: Table::Holding, address: 0x6B, count: 3 };
    /// assert_eq!(r.rtu(), [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03, 0x76, 0x87]);
    /// ```
    pub fn rtu(self) -> [u8; 8] {
        let mut frame = [0; 8];
        frame[0] = self.unit;
        frame[1..6].copy_from_slice(&self.pdu());
        let crc = CRC.checksum(&frame[..6]).to_le_bytes();
        frame[6..].copy_from_slice(&crc);
        frame
    }

    /// The request as a TCP frame.
    pub fn tcp(self, transaction: u16) -> [u8; 12] {
        let mut frame = [0; 12];
        frame[..2].copy_from_slice(&transaction.to_be_bytes());
        frame[5] = 6;
        frame[6] = self.unit;
        frame[7..].copy_from_slice(&self.pdu());
        frame
    }

    /// The registers in an RTU reply; `Ok(None)` while it is not whole.
    ///
    /// # Errors
    /// [`ModbusError`]; the caller then throws away what it has.
    pub fn rtu_reply(self, bytes: &[u8]) -> Result<Option<Vec<u16>>, ModbusError> {
        let Some([unit, body @ .., _, _]) = rtu_frame(bytes)? else { return Ok(None) };
        self.registers(*unit, body).map(Some)
    }

    /// Whether `bytes` begin as the answer does: with unit, function and length.
    pub fn begins_rtu_reply(self, bytes: &[u8]) -> bool {
        let [unit, function, length, ..] = *bytes else { return false };
        (unit, function, u16::from(length)) == (self.unit, self.table.function(), 2 * self.count)
    }

    /// The registers in a TCP reply and the bytes it took; `Ok(None)` while it
    /// is not whole.
    ///
    /// # Errors
    /// [`ModbusError`]; after [`ModbusError::Header`] the connection is no use.
    pub fn tcp_reply(self, transaction: u16, bytes: &[u8]) -> Result<Option<(Vec<u16>, usize)>, ModbusError> {
        let [th, tl, p1, p2, lh, ll, unit, ..] = *bytes else { return Ok(None) };
        let length = usize::from(u16::from_be_bytes([lh, ll]));
        if (p1, p2) != (0, 0) || !(3..=254).contains(&length) {
            return Err(ModbusError::Header);
        }
        let Some(pdu) = bytes.get(7..6 + length) else { return Ok(None) };
        if u16::from_be_bytes([th, tl]) != transaction {
            return Err(ModbusError::NotOurs { unit, function: pdu.first().copied().unwrap_or(0) });
        }
        Ok(Some((self.registers(unit, pdu)?, 6 + length)))
    }

    /// `pdu` is function and data of a reply.
    fn registers(self, unit: u8, pdu: &[u8]) -> Result<Vec<u16>, ModbusError> {
        let [function, second, data @ ..] = pdu else { return Err(ModbusError::Header) };
        let (function, second) = (*function, *second);
        if unit != self.unit || function & 0x7F != self.table.function() {
            return Err(ModbusError::NotOurs { unit, function });
        }
        if function & 0x80 != 0 {
            return Err(ModbusError::Exception { unit, code: second });
        }
        let wanted = 2 * self.count;
        if u16::from(second) != wanted || data.len() != usize::from(wanted) {
            return Err(ModbusError::Length { got: second, wanted });
        }
        Ok(data.chunks_exact(2).map(|two| u16::from_be_bytes([two[0], two[1]])).collect())
    }
}

/// The RTU reply at the beginning of `bytes`, with its CRC; `Ok(None)` while it is
/// not whole.
///
/// # Errors
/// [`ModbusError::Crc`].
pub fn rtu_frame(bytes: &[u8]) -> Result<Option<&[u8]>, ModbusError> {
    let [_, function, third, ..] = *bytes else { return Ok(None) };
    let length = if function & 0x80 == 0 { 5 + usize::from(third) } else { 5 };
    // A hurt byte count could make us wait for bytes that never come.
    if length > LONGEST_RTU {
        return Err(ModbusError::Crc);
    }
    let Some(frame) = bytes.get(..length) else { return Ok(None) };
    let (body, crc) = frame.split_at(length - 2);
    if CRC.checksum(body).to_le_bytes() == *crc { Ok(Some(frame)) } else { Err(ModbusError::Crc) }
}

/// One value in a transmitter, as configured: where it stands and what it
/// means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Register {
    /// The transmitter's number, 1 to 247.
    pub unit: u8,
    /// Which registers.
    pub table: Table,
    /// Address on the wire, counted from 0.
    pub address: u16,
    /// What stands there.
    pub value: Value,
    /// The unit of what results.
    pub measured_in: Unit,
}

impl Register {
    /// The request that reads it.
    pub fn request(&self) -> Request {
        Request {
            unit: self.unit,
            table: self.table,
            address: self.address,
            count: self.value.format.registers(),
        }
    }
}

#[cfg(test)]
mod tests;
