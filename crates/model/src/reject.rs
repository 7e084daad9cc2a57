//! What could not be read, and exactly where it stood.

/// Where a piece of text stood.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Origin {
    /// File name, as given.
    pub file: String,
    /// Physical line, from 1, as an editor shows it; 0 where no line applies.
    pub line: u64,
    /// Column (field), from 1; 0 where none applies.
    pub column: u32,
    /// Tag or meter, empty where none applies.
    pub tag: String,
}

/// Why a row was set aside. The names are written to the reject file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RejectReason {
    /// The tag is in no tag table and matches no pattern.
    UnknownTag,
    /// The tag is known, but not at this time (`from`, `until`).
    TagNotInForce,
    /// The time could not be read in the dialect's format.
    BadTime,
    /// A local time that occurs twice and could not be told apart.
    AmbiguousTime,
    /// A local time that never existed.
    SkippedTime,
    /// The time lies outside the span that the site accepts.
    TimeOutOfSpan,
    /// The row has too few or too many fields.
    FieldCount,
    /// The quality code or word is not mapped.
    UnknownQuality,
    /// The unit beside the value is no unit that is known.
    UnknownUnit,
    /// A quoted field never closed, or was followed by text.
    StrayQuote,
    /// Bytes that are no text in the dump's encoding.
    BadEncoding,
    /// A record line lacks a needed value or holds one that cannot be read.
    BadRecord,
    /// A line longer than the ceiling.
    TooLong,
}

impl RejectReason {
    /// The name in the reject file.
    pub fn name(self) -> &'static str {
        match self {
            RejectReason::UnknownTag => "unknown_tag",
            RejectReason::TagNotInForce => "tag_not_in_force",
            RejectReason::BadTime => "bad_time",
            RejectReason::AmbiguousTime => "ambiguous_time",
            RejectReason::SkippedTime => "skipped_time",
            RejectReason::TimeOutOfSpan => "time_out_of_span",
            RejectReason::FieldCount => "field_count",
            RejectReason::UnknownQuality => "unknown_quality",
            RejectReason::UnknownUnit => "unknown_unit",
            RejectReason::StrayQuote => "stray_quote",
            RejectReason::BadEncoding => "bad_encoding",
            RejectReason::BadRecord => "bad_record",
            RejectReason::TooLong => "too_long",
        }
    }
}

/// One row, or one cell of a wide row, that was not stored.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Reject {
    /// Where it stood.
    pub origin: Origin,
    /// Why it was set aside.
    pub reason: RejectReason,
    /// The text that was read.
    pub read: String,
    /// What was expected instead.
    pub expected: String,
}
