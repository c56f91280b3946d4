//! A Modbus line's port: RTU over a serial device, or TCP.

use std::io::{Error, ErrorKind, Read as _, Write as _};
use std::net::{TcpStream, ToSocketAddrs as _};
use std::time::Duration;

use serialport::{SerialPort as _, StopBits, TTYPort};

use super::NoAnswer;
use super::owed::Owed;
use crate::config::modbus::{Link, Parity};
use crate::wire::modbus::{LONGEST_RTU, ModbusError, Request, rtu_frame};

/// How long one read waits.
const READ_WAITS: Duration = Duration::from_millis(20);

/// How long a connection may take.
const CONNECT_WITHIN: Duration = Duration::from_secs(3);

/// An open line with what it has received of the answer.
pub(super) enum Port {
    Rtu(Rtu),
    Tcp { stream: TcpStream, transaction: u16, held: Vec<u8> },
}

/// RTU, whose answers bear no number.
pub(super) struct Rtu {
    tty: TTYPort,
    /// Between two frames.
    silence: Duration,
    held: Vec<u8>,
    owed: Owed,
    /// An answer was thrown away that came too late.
    came_late: bool,
}

impl Port {
    pub(super) fn open(link: &Link, answer_within_s: f64) -> Result<Self, Error> {
        match link {
            Link::Rtu { port, baud, parity, two_stop_bits } => {
                let tty = serialport::new(port.to_string_lossy(), *baud)
                    .parity(match parity {
                        Parity::None => serialport::Parity::None,
                        Parity::Even => serialport::Parity::Even,
                        Parity::Odd => serialport::Parity::Odd,
                    })
                    .stop_bits(if *two_stop_bits { StopBits::Two } else { StopBits::One })
                    .timeout(READ_WAITS)
                    .open_native()?;
                // 3.5 characters of 11 bits between frames, 1.75 ms at least.
                let silence = Duration::from_secs_f64((38.5 / f64::from(*baud)).max(0.001_75));
                let owed = Owed::nothing(answer_within_s);
                Ok(Self::Rtu(Rtu { tty, silence, held: Vec::new(), owed, came_late: false }))
            }
            Link::Tcp(address) => {
                let mut why = Error::new(ErrorKind::NotFound, format!("{address} is not known"));
                for one in address.to_socket_addrs()? {
                    match TcpStream::connect_timeout(&one, CONNECT_WITHIN) {
                        Ok(stream) => {
                            stream.set_nodelay(true)?;
                            stream.set_read_timeout(Some(READ_WAITS))?;
                            let patience = Duration::from_secs_f64(answer_within_s.max(1.0));
                            stream.set_write_timeout(Some(patience))?;
                            return Ok(Self::Tcp { stream, transaction: 0, held: Vec::new() });
                        }
                        Err(e) => why = e,
                    }
                }
                Err(why)
            }
        }
    }

    /// Sends a request; what was left of an older answer is thrown away.
    pub(super) fn send(&mut self, request: Request, now_ns: u64) -> Result<(), Error> {
        match self {
            Self::Rtu(line) => {
                std::thread::sleep(line.silence);
                line.tty.clear(serialport::ClearBuffer::Input)?;
                line.held.clear();
                line.owed.asked(request, now_ns);
                line.tty.write_all(&request.rtu())
            }
            Self::Tcp { stream, transaction, held } => {
                held.clear();
                *transaction = transaction.wrapping_add(1);
                stream.write_all(&request.tcp(*transaction))
            }
        }
    }

    /// Whether this unit may be asked; takes in first what came meanwhile.
    pub(super) fn may_ask(&mut self, unit: u8, now_ns: u64) -> Result<bool, Error> {
        let Self::Rtu(line) = self else { return Ok(true) };
        line.take_in()?;
        Ok(line.owed.may_be_asked(unit, now_ns))
    }

    /// Whether an answer was thrown away since this was asked last.
    pub(super) fn came_late(&mut self) -> bool {
        match self {
            Self::Rtu(line) => std::mem::take(&mut line.came_late),
            Self::Tcp { .. } => false,
        }
    }

    /// Reads once; the registers where the answer is whole.
    pub(super) fn receive(&mut self, request: Request) -> Result<Option<Vec<u16>>, NoAnswer> {
        let mut bytes = [0; LONGEST_RTU];
        match self {
            Self::Rtu(line) => {
                let n = some(line.tty.read(&mut bytes)?)?;
                line.held.extend_from_slice(&bytes[..n]);
                Ok(line.reply(request)?)
            }
            Self::Tcp { stream, transaction, held } => {
                let n = some(stream.read(&mut bytes)?)?;
                held.extend_from_slice(&bytes[..n]);
                loop {
                    match request.tcp_reply(*transaction, held) {
                        Ok(whole) => return Ok(whole.map(|w| w.0)),
                        // An answer that came too late: the next may be ours.
                        Err(ModbusError::NotOurs { .. }) if late(held) => {}
                        Err(ModbusError::Header) => {
                            let e = Error::new(ErrorKind::InvalidData, ModbusError::Header.to_string());
                            return Err(NoAnswer::Port(e));
                        }
                        Err(e) => return Err(e.into()),
                    }
                }
            }
        }
    }
}

impl Rtu {
    /// The registers where the answer is among what is held. What is owed by others
    /// is thrown away, and what nobody was asked is named.
    fn reply(&mut self, request: Request) -> Result<Option<Vec<u16>>, ModbusError> {
        let mut strange = None;
        while let Some(frame) = self.next_frame().inspect_err(|_| self.hurt(request))? {
            let is_owed = self.owed.pays(&frame);
            match request.rtu_reply(&frame) {
                Err(ModbusError::NotOurs { .. } | ModbusError::Length { .. }) if is_owed => {
                    self.came_late = true;
                }
                Err(e @ (ModbusError::NotOurs { .. } | ModbusError::Length { .. })) => strange = Some(e),
                answer => return answer,
            }
        }
        strange.map_or(Ok(None), Err)
    }

    /// Takes in what came since the last question, without waiting.
    fn take_in(&mut self) -> Result<(), Error> {
        let mut bytes = [0; LONGEST_RTU];
        while self.tty.bytes_to_read()? > 0 {
            let n = some(self.tty.read(&mut bytes)?)?;
            self.held.extend_from_slice(&bytes[..n]);
        }
        loop {
            match self.next_frame() {
                Ok(Some(frame)) => self.came_late |= self.owed.pays(&frame),
                Ok(None) => return Ok(()),
                Err(_) => self.held.clear(),
            }
        }
    }

    /// The next whole frame of what is held.
    fn next_frame(&mut self) -> Result<Option<Vec<u8>>, ModbusError> {
        let length = rtu_frame(&self.held)?.map(<[u8]>::len);
        Ok(length.map(|n| self.held.drain(..n).collect()))
    }

    /// What is held is hurt. Where it begins as the answer does it was that, and none
    /// is to come any more.
    fn hurt(&mut self, request: Request) {
        if request.begins_rtu_reply(&self.held) {
            self.owed.answered(request.unit);
        }
        self.held.clear();
    }
}

/// Throws away the first whole frame; whether there was one.
fn late(held: &mut Vec<u8>) -> bool {
    let [_, _, _, _, high, low, ..] = held[..] else { return false };
    let length = 6 + usize::from(u16::from_be_bytes([high, low]));
    if held.len() < length {
        return false;
    }
    held.drain(..length);
    true
}

/// No bytes from a readable port: the other end is gone.
fn some(n: usize) -> Result<usize, Error> {
    if n == 0 { Err(Error::new(ErrorKind::UnexpectedEof, "the other end is gone")) } else { Ok(n) }
}
