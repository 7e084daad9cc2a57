//! Amounts of memory as people write them at the prompt: `256MiB`, `2GiB`, `512`.

/// An amount of memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Memory {
    bytes: u64,
}

const MIB: u64 = 1 << 20;

/// Units by the end of the text, the longer before those that end alike; a bare number is MiB.
const UNITS: [(&str, u64); 9] = [
    ("mib", MIB),
    ("gib", 1 << 30),
    ("tib", 1 << 40),
    ("mb", 1_000_000),
    ("gb", 1_000_000_000),
    ("tb", 1_000_000_000_000),
    ("m", MIB),
    ("g", 1 << 30),
    ("", MIB),
];

impl Memory {
    /// A number of MiB, as the site file has it.
    pub fn mib(mib: u64) -> Memory {
        Memory { bytes: mib.saturating_mul(MIB) }
    }

    /// In bytes.
    pub fn bytes(self) -> u64 {
        self.bytes
    }

    /// Reads an amount.
    ///
    /// # Errors
    /// What was expected.
    pub fn parse(text: &str) -> Result<Memory, String> {
        let expected = || "expected a size such as 256MiB, 2GiB or 512 (MiB)".to_string();
        let lower = text.trim().to_ascii_lowercase();
        let (number, unit) = UNITS
            .iter()
            .find_map(|(ending, unit)| Some((lower.strip_suffix(ending)?, *unit)))
            .ok_or_else(expected)?;
        let number: f64 = number.trim_end().parse().map_err(|_| expected())?;
        let bytes = number * unit as f64;
        if !bytes.is_finite() || bytes >= u64::MAX as f64 {
            return Err(expected());
        }
        match bytes as u64 {
            bytes if number > 0.0 && bytes >= MIB => Ok(Memory { bytes }),
            _ => Err(format!("that is less than 1 MiB; {}", expected())),
        }
    }
}

impl std::fmt::Display for Memory {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let mib = self.bytes as f64 / MIB as f64;
        match mib.fract() == 0.0 {
            true => write!(f, "{mib:.0} MiB"),
            false => write!(f, "{mib:.1} MiB"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 80000-13: Mi = 2^20, Gi = 2^30; SI: M = 10^6 (from memory).
    #[test]
    fn sizes_are_read_with_binary_and_decimal_units_and_bare_ones_as_mib() {
        let bytes = |text: &str| Memory::parse(text).map(Memory::bytes);
        for text in ["256MiB", "256 MiB", "256", "256m", "256mib", "0.25GiB", "268435456e-6MB"] {
            assert_eq!(bytes(text), Ok(268_435_456), "{text}");
        }
        assert_eq!(bytes("1.5GB"), Ok(1_500_000_000));
        assert_eq!(bytes("2G"), Ok(2 << 30));
        assert_eq!(
            Memory::parse("300MB").map(|memory| memory.to_string()).as_deref(),
            Ok("286.1 MiB")
        );
    }

    #[test]
    fn nonsense_is_told_with_what_would_do() {
        for text in ["", "MiB", "lots", "-5", "0", "0.5", "1kB", "nan", "inf", "1e300", "12 cats"] {
            let error = Memory::parse(text).expect_err(text);
            assert!(error.contains("256MiB"), "{text}: {error}");
        }
    }
}
