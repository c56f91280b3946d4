//! A Modbus line's port: RTU over a serial device, or TCP.

use std::io::{Error, ErrorKind, Read as _, Write as _};
use std::net::{TcpStream, ToSocketAddrs as _};
use std::time::Duration;

use serialport::{SerialPort as _, StopBits, TTYPort};

use super::NoAnswer;
use crate::config::modbus::{Link, Parity};
use crate::wire::modbus::{LONGEST_RTU, ModbusError, Request};

/// How long one read waits.
const READ_WAITS: Duration = Duration::from_millis(20);

/// How long a connection may take.
const CONNECT_WITHIN: Duration = Duration::from_secs(3);

/// An open line with what it has received of the answer.
pub(super) enum Port {
    Rtu { tty: TTYPort, silence: Duration, held: Vec<u8>, owed: Owed },
    Tcp { stream: TcpStream, transaction: u16, held: Vec<u8> },
}

/// Whose answers may still come on an RTU line.
pub(super) enum Owed {
    /// The line was just opened: whoever had it before us may have asked.
    Anybody,
    /// To these questions.
    To(Vec<Request>),
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
                Ok(Self::Rtu { tty, silence, held: Vec::new(), owed: Owed::Anybody })
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
    pub(super) fn send(&mut self, request: Request) -> Result<(), Error> {
        match self {
            Self::Rtu { tty, silence, held, .. } => {
                std::thread::sleep(*silence);
                tty.clear(serialport::ClearBuffer::Input)?;
                held.clear();
                tty.write_all(&request.rtu())
            }
            Self::Tcp { stream, transaction, held } => {
                held.clear();
                *transaction = transaction.wrapping_add(1);
                stream.write_all(&request.tcp(*transaction))
            }
        }
    }

    /// Whether the answer to another question than `request` may still come and
    /// would be taken for its own: from the same unit, to the same function.
    pub(super) fn owes_another(&self, request: Request) -> bool {
        match self {
            Self::Rtu { owed: Owed::Anybody, .. } => true,
            Self::Rtu { owed: Owed::To(asked), .. } => {
                asked.iter().any(|a| *a != request && (a.unit, a.table) == (request.unit, request.table))
            }
            // Each answer bears the number of its question.
            Self::Tcp { .. } => false,
        }
    }

    /// `request` went without its answer.
    pub(super) fn owes(&mut self, request: Request) {
        if let Self::Rtu { owed: Owed::To(asked), .. } = self
            && !asked.contains(&request)
        {
            asked.push(request);
        }
    }

    /// No answer is to come any more.
    pub(super) fn settled(&mut self) {
        if let Self::Rtu { owed, .. } = self {
            *owed = Owed::To(Vec::new());
        }
    }

    /// Reads once and forgets it; how many bytes it was.
    pub(super) fn throw_away(&mut self) -> Result<usize, NoAnswer> {
        let mut bytes = [0; LONGEST_RTU];
        let n = match self {
            Self::Rtu { tty, .. } => tty.read(&mut bytes)?,
            Self::Tcp { stream, .. } => stream.read(&mut bytes)?,
        };
        Ok(some(n)?)
    }

    /// Reads once; the registers where the answer is whole.
    pub(super) fn receive(&mut self, request: Request) -> Result<Option<Vec<u16>>, NoAnswer> {
        let mut bytes = [0; LONGEST_RTU];
        match self {
            Self::Rtu { tty, held, .. } => {
                let n = some(tty.read(&mut bytes)?)?;
                held.extend_from_slice(&bytes[..n]);
                let read = request.rtu_reply(held);
                if read.is_err() {
                    held.clear();
                }
                Ok(read?)
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
