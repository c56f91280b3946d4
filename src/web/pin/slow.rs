//! A hash that takes its time (RFC 8018), out of the SHA-256 that the tree has anyhow.

use sha2::{Digest as _, Sha256};

/// One block of PBKDF2-HMAC-SHA-256 (RFC 8018): 32 bytes.
pub(super) fn pbkdf2(password: &[u8], salt: &[u8], rounds: u32) -> [u8; 32] {
    let keyed = Hmac::new(password);
    let mut u = keyed.of(&[salt, &1_u32.to_be_bytes()]);
    let mut out = u;
    for _ in 1..rounds {
        u = keyed.of(&[&u]);
        for (o, b) in out.iter_mut().zip(u) {
            *o ^= b;
        }
    }
    out
}

/// HMAC-SHA-256 (RFC 2104) with the key's two pads already taken in.
struct Hmac {
    inner: Sha256,
    outer: Sha256,
}

impl Hmac {
    fn new(key: &[u8]) -> Self {
        let mut block = [0_u8; 64];
        if key.len() > 64 {
            block[..32].copy_from_slice(&Sha256::digest(key));
        } else {
            block[..key.len()].copy_from_slice(key);
        }
        let pad = |x: u8| Sha256::new().chain_update(block.map(|b| b ^ x));
        Self { inner: pad(0x36), outer: pad(0x5c) }
    }

    fn of(&self, parts: &[&[u8]]) -> [u8; 32] {
        let inner = parts.iter().fold(self.inner.clone(), Sha256::chain_update).finalize();
        self.outer.clone().chain_update(inner).finalize().into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pbkdf2_gives_the_published_vector() {
        // RFC 7914, section 11: PBKDF2-HMAC-SHA-256 ("passwd", "salt", 1), first 32 of 64 bytes.
        assert_eq!(
            super::super::hex(&pbkdf2(b"passwd", b"salt", 1)),
            "55ac046e56e3089fec1691c22544b605f94185216dde0465e68b9d57c20dacbc"
        );
    }
}
