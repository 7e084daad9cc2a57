//! Small text files that carry their own hash: the last line is `{"hash":"…"}`, the blake3 of
//! every byte before it. Any flipped bit, missing or added byte is noticed before use.

use crate::error::StoreError;
use crate::layout::FORMAT_VERSION;
use serde::Serialize;
use serde::de::DeserializeOwned;

/// blake3 in lower-case hexadecimal.
pub fn hash(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// One JSON line. Our own plain structs always serialize.
pub(crate) fn line<T: Serialize>(value: &T) -> Vec<u8> {
    let mut bytes = serde_json::to_vec(value).unwrap_or_default();
    bytes.push(b'\n');
    bytes
}

fn tail(body: &[u8]) -> String {
    format!("{{\"hash\":\"{}\"}}\n", hash(body))
}

/// Adds the hash line.
pub(crate) fn close(mut body: Vec<u8>) -> Vec<u8> {
    let tail = tail(&body);
    body.extend_from_slice(tail.as_bytes());
    body
}

/// The content before the hash line, if the hash is right.
pub(crate) fn open<'a>(file: &str, bytes: &'a [u8]) -> Result<&'a [u8], StoreError> {
    let tail_length = tail(b"").len();
    let body = &bytes[..bytes.len().saturating_sub(tail_length)];
    if bytes.get(body.len()..) == Some(tail(body).as_bytes()) {
        return Ok(body);
    }
    Err(StoreError::Damaged {
        file: file.into(),
        expected: "a last line that is the hash of all lines before it".into(),
        found: format!("{} bytes that do not end so", bytes.len()),
        dumps: Vec::new(),
    })
}

/// One value from JSON text.
pub(crate) fn parse<T: DeserializeOwned>(file: &str, text: &[u8]) -> Result<T, StoreError> {
    serde_json::from_slice(text)
        .map_err(|e| StoreError::Unreadable { file: file.into(), reason: e.to_string() })
}

/// Refuses a file that a newer program wrote, before anything else of it is looked at.
pub(crate) fn check_version(file: &str, first_line: &[u8]) -> Result<(), StoreError> {
    #[derive(serde::Deserialize)]
    struct Version {
        format: u64,
    }
    let version: Version = parse(file, first_line)?;
    if version.format > FORMAT_VERSION {
        return Err(StoreError::FormatVersion {
            file: file.into(),
            found: version.format,
            known: FORMAT_VERSION,
        });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_single_flipped_bit_is_noticed() {
        let sealed = close(b"{\"what\":\"x\"}\n".to_vec());
        assert!(open("x", &sealed).is_ok());
        for bit in 0..sealed.len() * 8 {
            let mut broken = sealed.clone();
            broken[bit / 8] ^= 1 << (bit % 8);
            assert!(open("x", &broken).is_err(), "bit {bit}");
        }
        for cut in 0..sealed.len() {
            assert!(open("x", &sealed[..cut]).is_err(), "cut at {cut}");
        }
    }
}
