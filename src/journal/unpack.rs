//! Reading a packed day: gzip (RFC 1952) and its deflate (RFC 1951). Pure.
//!
//! A day that is over may be packed with the `gzip` every system has; it reads
//! the same. The CRC and the length at the end of each member are checked, so a
//! packed day that was damaged is said to be. What unpacks of it all the same is
//! given to who looks for whole groups in it: each bears a CRC of its own.
//!
//! Deliberately absent: packing. `gzip` does it, and leaves the plain file
//! until the packed one is whole.

use crc::{CRC_32_ISO_HDLC, Crc, Table};

const CRC: Crc<u32, Table<16>> = Crc::<u32, Table<16>>::new(&CRC_32_ISO_HDLC);

/// More than this no segment has, bytes: a guard against a file made to fill
/// the memory.
const MOST_BYTES: usize = 1 << 30;

/// Why a packed day cannot be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum UnpackError {
    /// No gzip file.
    #[error("this is no gzip file")]
    NoGzip,
    /// It ends too early.
    #[error("the packed file is cut short")]
    Short,
    /// Its bits make no sense, or CRC or length differ.
    #[error("the packed file is damaged")]
    Damaged,
}

/// Unpacks a gzip file of one or more members, as far as that goes, and why no
/// further. What was unpacked of a damaged one may be wrong from anywhere on.
pub fn gunzip(packed: &[u8]) -> (Vec<u8>, Option<UnpackError>) {
    let mut out = Vec::new();
    let fault = members(packed, &mut out).err();
    (out, fault)
}

fn members(packed: &[u8], out: &mut Vec<u8>) -> Result<(), UnpackError> {
    let mut at = 0;
    while at < packed.len() {
        at += header(&packed[at..])?;
        let data = packed.get(at..).ok_or(UnpackError::Short)?;
        let begun = out.len();
        let mut bits = Bits { data, at: 0, held: 0, count: 0 };
        inflate(&mut bits, out, begun)?;
        at += bits.at - usize::try_from(bits.count / 8).unwrap_or(0);
        let tail = packed.get(at..at + 8).ok_or(UnpackError::Short)?;
        let number = |b: &[u8]| u32::from_le_bytes([b[0], b[1], b[2], b[3]]);
        let len = u32::try_from((out.len() - begun) & 0xffff_ffff).unwrap_or(0);
        if number(&tail[..4]) != CRC.checksum(&out[begun..]) || number(&tail[4..]) != len {
            return Err(UnpackError::Damaged);
        }
        at += 8;
    }
    if at == 0 { Err(UnpackError::NoGzip) } else { Ok(()) }
}

/// Length of a member's header.
fn header(data: &[u8]) -> Result<usize, UnpackError> {
    if data.len() < 10 {
        return Err(UnpackError::Short);
    }
    let flags = data[3];
    if data[..3] != [0x1f, 0x8b, 8] || flags & 0xe0 != 0 {
        return Err(UnpackError::NoGzip);
    }
    let mut at = 10;
    if flags & 4 != 0 {
        let extra = data.get(at..at + 2).ok_or(UnpackError::Short)?;
        at += 2 + usize::from(u16::from_le_bytes([extra[0], extra[1]]));
    }
    // File name and comment end with a zero.
    for flag in [8, 16] {
        if flags & flag != 0 {
            let rest = data.get(at..).ok_or(UnpackError::Short)?;
            at += rest.iter().position(|b| *b == 0).ok_or(UnpackError::Short)? + 1;
        }
    }
    Ok(at + if flags & 2 != 0 { 2 } else { 0 })
}

/// Bits, the lowest first.
struct Bits<'a> {
    data: &'a [u8],
    at: usize,
    held: u64,
    count: u32,
}

impl Bits<'_> {
    fn fill(&mut self) {
        while self.count <= 56 {
            let Some(byte) = self.data.get(self.at) else { return };
            self.held |= u64::from(*byte) << self.count;
            self.count += 8;
            self.at += 1;
        }
    }

    fn take(&mut self, n: u32) -> Result<u32, UnpackError> {
        if self.count < n {
            self.fill();
        }
        if self.count < n {
            return Err(UnpackError::Short);
        }
        let value = (self.held & ((1u64 << n) - 1)) as u32;
        self.held >>= n;
        self.count -= n;
        Ok(value)
    }

    fn skip_to_byte(&mut self) {
        let over = self.count % 8;
        self.held >>= over;
        self.count -= over;
    }
}

/// A canonical Huffman code: how many codes of each length, and the symbols in
/// order.
struct Code {
    counts: [u16; 16],
    symbols: Vec<u16>,
}

impl Code {
    fn of(lengths: &[u8]) -> Self {
        let mut counts = [0u16; 16];
        for l in lengths {
            counts[usize::from(*l)] += 1;
        }
        counts[0] = 0;
        let mut next = [0usize; 16];
        for l in 1..15 {
            next[l + 1] = next[l] + usize::from(counts[l]);
        }
        let mut symbols = vec![0; lengths.len()];
        for (symbol, l) in (0u16..).zip(lengths) {
            if *l != 0 {
                symbols[next[usize::from(*l)]] = symbol;
                next[usize::from(*l)] += 1;
            }
        }
        Self { counts, symbols }
    }

    fn read(&self, bits: &mut Bits<'_>) -> Result<u16, UnpackError> {
        let (mut code, mut first, mut index) = (0i32, 0i32, 0i32);
        for count in &self.counts[1..] {
            code |= bits.take(1)?.cast_signed();
            let count = i32::from(*count);
            if code - count < first {
                let at = usize::try_from(index + code - first).map_err(|_| UnpackError::Damaged)?;
                return self.symbols.get(at).copied().ok_or(UnpackError::Damaged);
            }
            index += count;
            first = (first + count) << 1;
            code <<= 1;
        }
        Err(UnpackError::Damaged)
    }
}

fn inflate(bits: &mut Bits<'_>, out: &mut Vec<u8>, begun: usize) -> Result<(), UnpackError> {
    loop {
        let last = bits.take(1)? == 1;
        match bits.take(2)? {
            0 => stored(bits, out)?,
            1 => {
                let mut lengths = [8u8; 288];
                lengths[144..256].fill(9);
                lengths[256..280].fill(7);
                block(bits, out, begun, &Code::of(&lengths), &Code::of(&[5; 30]))?;
            }
            2 => {
                let (literals, distances) = codes(bits)?;
                block(bits, out, begun, &literals, &distances)?;
            }
            _ => return Err(UnpackError::Damaged),
        }
        if last {
            bits.skip_to_byte();
            return Ok(());
        }
        if out.len() > MOST_BYTES {
            return Err(UnpackError::Damaged);
        }
    }
}

fn stored(bits: &mut Bits<'_>, out: &mut Vec<u8>) -> Result<(), UnpackError> {
    bits.skip_to_byte();
    let (len, inverse) = (bits.take(16)?, bits.take(16)?);
    if len != !inverse & 0xffff {
        return Err(UnpackError::Damaged);
    }
    for _ in 0..len {
        out.push(bits.take(8)? as u8);
    }
    Ok(())
}

/// The two codes of a block that brings its own (RFC 1951, 3.2.7).
fn codes(bits: &mut Bits<'_>) -> Result<(Code, Code), UnpackError> {
    const ORDER: [usize; 19] = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];
    let literals = bits.take(5)? as usize + 257;
    let distances = bits.take(5)? as usize + 1;
    let count = bits.take(4)? as usize + 4;
    let mut lengths = [0u8; 19];
    for at in &ORDER[..count] {
        lengths[*at] = bits.take(3)? as u8;
    }
    let code = Code::of(&lengths);
    let mut lengths = Vec::with_capacity(320);
    while lengths.len() < literals + distances {
        let (value, times) = match code.read(bits)? {
            n @ 0..16 => (n as u8, 1),
            16 => (*lengths.last().ok_or(UnpackError::Damaged)?, bits.take(2)? + 3),
            17 => (0, bits.take(3)? + 3),
            _ => (0, bits.take(7)? + 11),
        };
        lengths.extend(std::iter::repeat_n(value, times as usize));
    }
    if lengths.len() > literals + distances {
        return Err(UnpackError::Damaged);
    }
    Ok((Code::of(&lengths[..literals]), Code::of(&lengths[literals..])))
}

/// Base and extra bits of lengths and distances (RFC 1951, 3.2.5).
const LENGTHS: [(u16, u8); 29] = [
    (3, 0),
    (4, 0),
    (5, 0),
    (6, 0),
    (7, 0),
    (8, 0),
    (9, 0),
    (10, 0),
    (11, 1),
    (13, 1),
    (15, 1),
    (17, 1),
    (19, 2),
    (23, 2),
    (27, 2),
    (31, 2),
    (35, 3),
    (43, 3),
    (51, 3),
    (59, 3),
    (67, 4),
    (83, 4),
    (99, 4),
    (115, 4),
    (131, 5),
    (163, 5),
    (195, 5),
    (227, 5),
    (258, 0),
];
const DISTANCES: [(u16, u8); 30] = [
    (1, 0),
    (2, 0),
    (3, 0),
    (4, 0),
    (5, 1),
    (7, 1),
    (9, 2),
    (13, 2),
    (17, 3),
    (25, 3),
    (33, 4),
    (49, 4),
    (65, 5),
    (97, 5),
    (129, 6),
    (193, 6),
    (257, 7),
    (385, 7),
    (513, 8),
    (769, 8),
    (1025, 9),
    (1537, 9),
    (2049, 10),
    (3073, 10),
    (4097, 11),
    (6145, 11),
    (8193, 12),
    (12289, 12),
    (16385, 13),
    (24577, 13),
];

fn block(
    bits: &mut Bits<'_>,
    out: &mut Vec<u8>,
    begun: usize,
    literals: &Code,
    distances: &Code,
) -> Result<(), UnpackError> {
    let of = |table: &[(u16, u8)], at: usize, bits: &mut Bits<'_>| {
        let (base, extra) = table.get(at).copied().ok_or(UnpackError::Damaged)?;
        Ok::<usize, UnpackError>(usize::from(base) + bits.take(u32::from(extra))? as usize)
    };
    loop {
        match literals.read(bits)? {
            byte @ 0..256 => out.push(byte as u8),
            256 => return Ok(()),
            symbol => {
                let len = of(&LENGTHS, usize::from(symbol) - 257, bits)?;
                let code = distances.read(bits)?;
                let back = of(&DISTANCES, usize::from(code), bits)?;
                let from = out.len().checked_sub(back).filter(|f| *f >= begun).ok_or(UnpackError::Damaged)?;
                for at in from..from + len {
                    out.push(out[at]);
                }
            }
        }
        if out.len() > MOST_BYTES {
            return Err(UnpackError::Damaged);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write as _;
    use std::process::{Command, Stdio};

    fn gzip(level: &str, data: &[u8]) -> Vec<u8> {
        let mut child = Command::new("gzip")
            .args([level, "-c"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("gzip is there on every Debian");
        let mut stdin = child.stdin.take().unwrap();
        let data = data.to_vec();
        let writer = std::thread::spawn(move || stdin.write_all(&data));
        let out = child.wait_with_output().unwrap().stdout;
        writer.join().unwrap().unwrap();
        out
    }

    #[test]
    fn what_gzip_packs_reads_the_same() {
        let mut text = String::new();
        for n in 0..4000 {
            let line = format!(
                "temperature,probe=kettle celsius={},seq={n}u {n}500000000\n",
                30.0 + f64::from(n % 97) / 16.0
            );
            text.push_str(&line);
        }
        let noise: Vec<u8> = (0u32..70_000).map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        for data in [b"".to_vec(), b"a".to_vec(), text.into_bytes(), vec![0; 100_000], noise] {
            for level in ["-1", "-6", "-9"] {
                assert!(gunzip(&gzip(level, &data)) == (data.clone(), None), "{level}, {} bytes", data.len());
            }
        }
        let two = [gzip("-6", b"one "), gzip("-6", b"two")].concat();
        assert_eq!(gunzip(&two), (b"one two".to_vec(), None));
    }

    #[test]
    fn damage_is_said_and_never_read() {
        let good = gzip("-6", "temperature,probe=k celsius=34.5 5\n".repeat(20).as_bytes());
        let whole = gunzip(&good).0;
        for at in 0..good.len() {
            let (data, fault) = gunzip(&good[..at]);
            assert!(fault.is_some() && whole.starts_with(&data), "cut at {at}");
            for bit in 0..8 {
                let mut bad = good.clone();
                bad[at] ^= 1 << bit;
                // Bits of the header that say nothing about the data (time, system) may differ.
                if let (data, None) = gunzip(&bad) {
                    assert_eq!(data, whole, "bit {bit} of byte {at}");
                }
            }
        }
        assert_eq!(gunzip(b""), (Vec::new(), Some(UnpackError::NoGzip)));
    }
}
