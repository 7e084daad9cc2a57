//! Quality of a sample, kept as the OPC Classic quality byte.
//!
//! Source: OPC Data Access quality word, mask 0xC0: 192..255 good, 64..127 uncertain,
//!         0..63 bad; 128..191 is not used by the standard and counts as bad (from memory).
//!         OPC UA status codes: severity in the two top bits, 0 good, 1 uncertain, else bad.

/// One quality byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Quality(pub u8);

impl Quality {
    /// Good, no further word.
    pub const GOOD: Quality = Quality(192);
    /// Uncertain, no further word.
    pub const UNCERTAIN: Quality = Quality(64);
    /// Bad, no further word.
    pub const BAD: Quality = Quality(0);

    /// Usable without doubt.
    pub fn is_good(self) -> bool {
        self.0 >= 192
    }

    /// Neither good nor bad.
    pub fn is_uncertain(self) -> bool {
        self.0 & 0xC0 == 0x40
    }

    /// From an OPC Classic quality word; server bits above the low byte are dropped.
    pub fn from_opc_classic(word: u32) -> Quality {
        Quality((word & 0xFF) as u8)
    }

    /// From an OPC UA status code.
    pub fn from_opc_ua(code: u32) -> Quality {
        match code >> 30 {
            0 => Quality::GOOD,
            1 => Quality::UNCERTAIN,
            _ => Quality::BAD,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn opc_codes_of_the_standards() {
        // OPC Data Access quality word and OPC UA part 4 status codes.
        for good in [192, 194, 195, 216, 0x0100 | 192] {
            assert!(Quality::from_opc_classic(good).is_good(), "{good}");
        }
        for uncertain in [64, 68, 80, 84, 88] {
            assert!(Quality::from_opc_classic(uncertain).is_uncertain(), "{uncertain}");
        }
        for bad in [0, 4, 8, 12, 24, 28, 32, 128] {
            let quality = Quality::from_opc_classic(bad);
            assert!(!quality.is_good() && !quality.is_uncertain(), "{bad}");
        }
        assert_eq!(Quality::from_opc_ua(0x0030_0000), Quality::GOOD);
        assert_eq!(Quality::from_opc_ua(0x4095_0000), Quality::UNCERTAIN);
        assert_eq!(Quality::from_opc_ua(0x8031_0000), Quality::BAD);
        // 64 is uncertain in the old system and good in the new: the site must say which.
        assert_eq!(Quality::from_opc_ua(64), Quality::GOOD);
    }
}
