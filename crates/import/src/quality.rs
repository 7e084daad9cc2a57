//! Quality codes and words to one quality byte.
//!
//! Source: OPC Data Access quality word (low byte; server bits above it are dropped) and OPC UA
//!         part 4 status codes (severity in the two top bits), see [`metersift_model::Quality`].
//!         A code of 192 is good in both systems, 64 is uncertain in one and good in the other:
//!         the site must say which, or the file must show a code that only one of them has.

use crate::settings::{QualityCode, QualityWord};
use crate::text::{shown, trim};
use metersift_model::Quality;
use std::collections::BTreeMap;

/// How the quality of a sample is read.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub enum QualityRule {
    /// No quality: every number is good.
    #[default]
    None,
    /// OPC Classic.
    OpcClassic,
    /// OPC UA.
    OpcUa,
    /// Words, lower case and trimmed.
    Words(BTreeMap<String, QualityWord>),
    /// OPC Classic codes, and words for what is no code.
    OpcClassicAndWords(BTreeMap<String, QualityWord>),
    /// OPC UA codes, and words for what is no code.
    OpcUaAndWords(BTreeMap<String, QualityWord>),
}

impl QualityRule {
    /// Words with their meaning; `good`, `uncertain` and `bad` mean themselves unless mapped.
    pub fn words(mapped: &BTreeMap<String, QualityWord>) -> QualityRule {
        QualityRule::Words(own_and(mapped))
    }

    /// The rule of a setting.
    pub fn of(code: QualityCode, mapped: &BTreeMap<String, QualityWord>) -> QualityRule {
        match code {
            QualityCode::None => QualityRule::None,
            QualityCode::OpcClassic => QualityRule::OpcClassic,
            QualityCode::OpcUa => QualityRule::OpcUa,
            QualityCode::Words => QualityRule::words(mapped),
            QualityCode::OpcClassicAndWords => QualityRule::OpcClassicAndWords(own_and(mapped)),
            QualityCode::OpcUaAndWords => QualityRule::OpcUaAndWords(own_and(mapped)),
        }
    }

    /// The quality byte of a cell; `None` when it is not in the code.
    #[inline]
    pub fn read(&self, text: &[u8]) -> Option<u8> {
        match (self, text) {
            (QualityRule::None, _) => Some(Quality::GOOD.0),
            // By far the most frequent cell of all.
            (QualityRule::OpcClassic | QualityRule::OpcClassicAndWords(_), b"192") => Some(192),
            _ => self.read_slowly(trim(text)),
        }
    }

    fn read_slowly(&self, text: &[u8]) -> Option<u8> {
        match self {
            QualityRule::None => Some(Quality::GOOD.0),
            QualityRule::OpcClassic => Some(Quality::from_opc_classic(code(text)?).0),
            QualityRule::OpcUa => Some(Quality::from_opc_ua(code(text)?).0),
            QualityRule::Words(words) => read_word(words, text),
            QualityRule::OpcClassicAndWords(words) => match code(text) {
                Some(code) => Some(Quality::from_opc_classic(code).0),
                None => read_word(words, text),
            },
            QualityRule::OpcUaAndWords(words) => match code(text) {
                Some(code) => Some(Quality::from_opc_ua(code).0),
                None => read_word(words, text),
            },
        }
    }

    /// What a reject says was expected.
    pub fn expected(&self) -> String {
        match self {
            QualityRule::None => "nothing".into(),
            QualityRule::OpcClassic => "an OPC Classic quality number such as 192".into(),
            QualityRule::OpcUa => "an OPC UA status code".into(),
            QualityRule::Words(words) => format!("one of {}", known(words)),
            QualityRule::OpcClassicAndWords(words) => {
                format!("an OPC Classic quality number such as 192, or one of {}", known(words))
            }
            QualityRule::OpcUaAndWords(words) => {
                format!("an OPC UA status code, or one of {}", known(words))
            }
        }
    }
}

/// `good`, `uncertain` and `bad` mean themselves unless mapped.
fn own_and(mapped: &BTreeMap<String, QualityWord>) -> BTreeMap<String, QualityWord> {
    let own = [
        ("good", QualityWord::Good),
        ("uncertain", QualityWord::Uncertain),
        ("bad", QualityWord::Bad),
    ];
    let mut words: BTreeMap<String, QualityWord> =
        own.into_iter().map(|(word, meaning)| (word.to_owned(), meaning)).collect();
    words.extend(mapped.iter().map(|(word, &meaning)| (word.trim().to_lowercase(), meaning)));
    words
}

fn read_word(words: &BTreeMap<String, QualityWord>, text: &[u8]) -> Option<u8> {
    let word = std::str::from_utf8(text).ok()?.to_lowercase();
    words.get(&word).map(|meaning| match meaning {
        QualityWord::Good => Quality::GOOD.0,
        QualityWord::Uncertain => Quality::UNCERTAIN.0,
        QualityWord::Bad => Quality::BAD.0,
    })
}

fn known(words: &BTreeMap<String, QualityWord>) -> String {
    let known: Vec<String> = words.keys().map(|w| shown(w.as_bytes())).collect();
    known.join(", ")
}

/// A code as decimal (perhaps of a signed 32-bit number) or `0x` hexadecimal text.
pub fn code(text: &[u8]) -> Option<u32> {
    let text = std::str::from_utf8(text).ok()?;
    if let Some(hex) = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        // `from_str_radix` would take a sign.
        let digits = !hex.is_empty() && hex.bytes().all(|b| b.is_ascii_hexdigit());
        return digits.then(|| u32::from_str_radix(hex, 16).ok()).flatten();
    }
    let number: i64 = text.parse().ok()?;
    match number {
        0..=0xFFFF_FFFF => u32::try_from(number).ok(),
        _ => i32::try_from(number).ok().map(i32::cast_unsigned),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// OPC Data Access quality words, decimal, with limit and server bits.
    #[test]
    fn opc_classic_words_keep_their_byte() {
        let rule = QualityRule::OpcClassic;
        for (text, byte) in
            [("192", 192), ("0xC0", 192), ("195", 195), ("448", 192), ("24", 24), (" 68 ", 68)]
        {
            assert_eq!(rule.read(text.as_bytes()), Some(byte), "{text}");
        }
        for text in ["", "good", "1.0", "0x", "99999999999"] {
            assert_eq!(rule.read(text.as_bytes()), None, "{text}");
        }
    }

    /// OPC UA part 4 status codes; Bad also as the signed 32-bit number it often becomes.
    #[test]
    fn opc_ua_codes_are_judged_by_their_two_top_bits() {
        let rule = QualityRule::OpcUa;
        let cases = [
            ("0", 192),
            ("0x00300000", 192),
            ("0x00960000", 192),
            ("1073741824", 64),
            ("0x40950000", 64),
            ("2147483648", 0),
            ("-2147483648", 0),
            ("0x80310000", 0),
            ("3221225472", 0),
            ("64", 192),
        ];
        for (text, byte) in cases {
            assert_eq!(rule.read(text.as_bytes()), Some(byte), "{text}");
        }
    }

    /// A number is a code, everything else a word: the two can never be taken for one another.
    #[test]
    fn codes_and_words_in_one_column_are_read_each_by_its_rule() {
        let mapped = BTreeMap::from([("ok".to_owned(), QualityWord::Good)]);
        let rule = QualityRule::of(QualityCode::OpcClassicAndWords, &mapped);
        for (text, byte) in [("192", 192), ("Good", 192), ("OK", 192), ("24", 24), ("bad", 0)] {
            assert_eq!(rule.read(text.as_bytes()), Some(byte), "{text}");
        }
        assert_eq!(rule.read(b"P"), None);
        let modern = QualityRule::of(QualityCode::OpcUaAndWords, &mapped);
        assert_eq!((modern.read(b"0x80310000"), modern.read(b"good")), (Some(0), Some(192)));
    }

    #[test]
    fn a_word_that_is_not_mapped_is_not_guessed() {
        let mapped = BTreeMap::from([("A".to_owned(), QualityWord::Good)]);
        let rule = QualityRule::words(&mapped);
        assert_eq!(rule.read(b"a"), Some(192));
        assert_eq!(rule.read(b"Bad"), Some(0));
        assert_eq!(rule.read(b"P"), None);
        assert_eq!(rule.read(b""), None);
    }
}
