//! `[[modbus]]`: industrial transmitters on a line or a network.

use std::path::{Path, PathBuf};

use super::check::Section;
use super::source::named;
use crate::engine::event::Name;
use crate::sensor::unit::Unit;
use crate::wire::modbus::{Format, Register, Table, Value, WordOrder};

/// A Modbus line and what is read over it.
#[derive(Debug, Clone, PartialEq)]
pub struct ModbusLine {
    /// What the dairy calls it.
    pub name: Name,
    /// Where it is.
    pub link: Link,
    /// Every register is read so often, seconds.
    pub every_s: f64,
    /// How long a transmitter may take to answer, seconds.
    pub answer_within_s: f64,
    /// What is read.
    pub registers: Vec<Polled>,
}

/// Where a Modbus line is.
#[derive(Debug, Clone, PartialEq)]
pub enum Link {
    /// RTU over a serial port.
    Rtu {
        /// The device.
        port: PathBuf,
        /// Bits a second.
        baud: u32,
        /// The parity bit.
        parity: Parity,
        /// Two stop bits instead of one.
        two_stop_bits: bool,
    },
    /// TCP: host and port.
    Tcp(String),
}

/// A parity bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parity {
    /// None.
    None,
    /// Even: the standard's default.
    Even,
    /// Odd.
    Odd,
}

/// A value that is read, and whose it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Polled {
    /// The probe whose temperature it is.
    pub probe: Name,
    /// Where it stands and what it means.
    pub register: Register,
}

/// One `[[modbus]]`.
pub(super) fn line(s: &Section<'_, '_>) -> Option<ModbusLine> {
    let name = named(s, "name", "what the dairy calls this line");
    let link = link(s);
    let every_s = s.number("every-s", 0.1..=3600.0, "s").unwrap_or(1.0);
    let answer_within_s = s.number("answer-within-s", 0.02..=30.0, "s").unwrap_or(0.5);
    let registers: Vec<_> = s.sections("register").iter().map(polled).collect();
    if registers.is_empty() {
        s.missing("[[modbus.register]]", "add one with probe, unit-id and address");
    }
    s.done();
    let registers = registers.into_iter().collect::<Option<_>>()?;
    Some(ModbusLine { name: name?, link: link?, every_s, answer_within_s, registers })
}

fn link(s: &Section<'_, '_>) -> Option<Link> {
    let port = s.text("port");
    let address = s.text("address");
    let baud = s.whole("baud", 300..=4_000_000, "bits a second").unwrap_or(19_200) as u32;
    let parity = s
        .one_of("parity", &["none", "even", "odd"], |w| match w {
            "none" => Some(Parity::None),
            "even" => Some(Parity::Even),
            "odd" => Some(Parity::Odd),
            _ => None,
        })
        .unwrap_or(Parity::Even);
    let two_stop_bits = s.whole("stop-bits", 1..=2, "").unwrap_or(1) == 2;
    match (port, address) {
        (Some(port), None) => {
            if !Path::new(port).is_absolute() {
                s.fault_at(
                    "port",
                    format!("port = {port:?} is no whole path"),
                    "write it from the root, /dev/…",
                );
            }
            Some(Link::Rtu { port: port.into(), baud, parity, two_stop_bits })
        }
        (None, Some(address)) => {
            let host_and_port = address
                .rsplit_once(':')
                .filter(|(host, port)| !host.is_empty() && port.parse::<u16>().is_ok_and(|p| p > 0));
            if host_and_port.is_none() {
                let what = format!("address = {address:?} is no host and port");
                s.fault_at("address", what, "write it as 192.168.1.50:502");
            }
            Some(Link::Tcp(address.to_owned()))
        }
        (Some(_), Some(_)) => {
            s.fault_at(
                "address",
                "port and address are both set",
                "a line is one of them; take the other out",
            );
            None
        }
        (None, None) => {
            s.missing(
                "port",
                "add port = \"/dev/serial/by-id/…\" for RTU, or address = \"192.168.1.50:502\"",
            );
            None
        }
    }
}

fn polled(s: &Section<'_, '_>) -> Option<Polled> {
    let probe = named(s, "probe", "the probe whose temperature it is");
    let unit = s.whole("unit-id", 1..=247, "").unwrap_or(1) as u8;
    let table = s.one_of("table", &["input", "holding"], |w| match w {
        "input" => Some(Table::Input),
        "holding" => Some(Table::Holding),
        _ => None,
    });
    if !s.has("address") {
        s.missing("address", "add address = 0, as on the wire: 30001 or 40001 of a manual is 0");
    }
    let address = s.whole("address", 0..=65_535, "");
    let format = s.one_of("format", &["i16", "u16", "i32", "f32"], |w| match w {
        "i16" => Some(Format::I16),
        "u16" => Some(Format::U16),
        "i32" => Some(Format::I32),
        "f32" => Some(Format::F32),
        _ => None,
    });
    if let (Some(a), Some(f)) = (address, format)
        && a + u64::from(f.registers()) > 65_536
    {
        let what =
            format!("address = {a} is the last one, and this format takes {} registers", f.registers());
        s.fault_at("address", what, "take the address of the first of them, as on the wire; or mend format");
    }
    let word_order = s.one_of("word-order", &["high-first", "low-first"], |w| match w {
        "high-first" => Some(WordOrder::HighFirst),
        "low-first" => Some(WordOrder::LowFirst),
        _ => None,
    });
    let scale = s.above_zero("scale", 1000.0, "").unwrap_or(1.0);
    let offset = s.number("offset", -1000.0..=1000.0, "").unwrap_or(0.0);
    let measured_in = s.text("unit").map(str::parse::<Unit>);
    if let Some(Err(e)) = &measured_in {
        s.fault_at("unit", "unit is none".to_string(), e.to_string());
    }
    s.done();
    let value = Value {
        format: format.unwrap_or_default(),
        word_order: word_order.unwrap_or_default(),
        scale,
        offset,
    };
    let register = Register {
        unit,
        table: table.unwrap_or_default(),
        address: address? as u16,
        value,
        measured_in: measured_in.and_then(Result::ok).unwrap_or_default(),
    };
    Some(Polled { probe: probe?, register })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::dairy;

    fn lines(text: &str) -> Result<Vec<ModbusLine>, String> {
        dairy::parse(text, "test.toml", Path::new("."))
            .map(|c| c.modbus)
            .map_err(|faults| crate::config::fault::listed(&faults))
    }

    #[test]
    fn lines_are_as_set() {
        let text = "[[modbus]]\nname = \"m\"\nport = \"/dev/ttyUSB0\"\nbaud = 9600\nparity = \"none\"\nstop-bits = 2\n\
            [[modbus.register]]\nprobe = \"kettle\"\nunit-id = 7\ntable = \"holding\"\naddress = 100\nformat = \"f32\"\n\
            word-order = \"low-first\"\nscale = 0.1\nunit = \"F\"\n\
            [[modbus]]\nname = \"n\"\naddress = \"127.0.0.1:502\"\n[[modbus.register]]\nprobe = \"a\"\naddress = 0\n";
        let got = lines(text).unwrap();
        assert_eq!(
            got[0].link,
            Link::Rtu { port: "/dev/ttyUSB0".into(), baud: 9600, parity: Parity::None, two_stop_bits: true }
        );
        let r = got[0].registers[0].register;
        assert_eq!((r.unit, r.table, r.address, r.value.format), (7, Table::Holding, 100, Format::F32));
        assert_eq!((r.value.word_order, r.measured_in), (WordOrder::LowFirst, Unit::Fahrenheit));
        assert_eq!(got[1].link, Link::Tcp("127.0.0.1:502".into()));
        assert_eq!(got[1].registers[0].register.value.format, Format::I16);
    }

    #[test]
    fn faults_say_the_remedy() {
        let register = "[[modbus.register]]\nprobe = \"a\"\naddress = 0\n";
        for (keys, register, says) in [
            ("", register, "add port"),
            ("port = \"ttyUSB0\"", register, "from the root"),
            ("address = \"nowhere\"", register, "192.168.1.50:502"),
            ("port = \"/dev/a\"\naddress = \"b:1\"", register, "both set"),
            ("address = \"b:1\"", "", "[[modbus.register]]"),
            ("address = \"b:1\"", "[[modbus.register]]\nprobe = \"a\"\n", "30001"),
            (
                "address = \"b:1\"",
                "[[modbus.register]]\nprobe = \"a\"\naddress = 65535\nformat = \"f32\"\n",
                "address = 65535 is the last one, and this format takes 2 registers",
            ),
            (
                "address = \"b:1\"",
                "[[modbus.register]]\naddress = 1\nformat = \"f16\"\n",
                "i16, u16, i32, f32",
            ),
        ] {
            let e = lines(&format!("[[modbus]]\nname = \"m\"\n{keys}\n{register}")).unwrap_err();
            assert!(e.contains(says), "{keys}: {e}");
        }
    }
}
