//! What mends a kind of rejected rows.

use metersift_model::RejectReason;

/// What to do about rows that were rejected for a reason. Rows of the same dump that were stored
/// count as duplicates when the mended dump comes.
pub fn of(reason: RejectReason) -> &'static str {
    match reason {
        RejectReason::UnknownTag => {
            "add the tag to records/tags.csv, as signal `ignore` if nobody wants it; the dump is \
             then read again by itself"
        }
        RejectReason::TagNotInForce => {
            "widen `from` or `until` of its line in records/tags.csv, `metersift withdraw` the dump and \
             give it back packed: the same bytes are skipped"
        }
        RejectReason::BadTime => {
            "have the export write one form of time (`time_format` of the source says which) and \
             give the mended dump"
        }
        RejectReason::AmbiguousTime | RejectReason::SkippedTime => {
            "have the export write UTC or the offset, or state the `zone` of the source in which \
             its clock runs"
        }
        RejectReason::TimeOutOfSpan => {
            "where the year is wrong or lacks its century, have the export mended and give the \
             mended dump; where such times are right, set `earliest` of the source"
        }
        RejectReason::FieldCount => {
            "a delimiter within a value wants quotes, and a row must not be cut: have the export \
             mended and give the mended dump"
        }
        RejectReason::UnknownQuality => {
            "map the word under `quality_words` of the source, `metersift withdraw` the dump and give \
             it back packed: the same bytes are skipped"
        }
        RejectReason::UnknownUnit => {
            "write a unit that is known in the export, or state the tag's unit in records/tags.csv"
        }
        RejectReason::StrayQuote => {
            "a quote within a quoted value is written twice: have the export mended and give the \
             mended dump"
        }
        RejectReason::BadEncoding => {
            "state the `encoding` of the source, `metersift withdraw` the dump and give it back \
             packed: the same bytes are skipped"
        }
        RejectReason::BadRecord => "mend the line in its file under records/",
        RejectReason::TooLong => {
            "a line end is missing or a quote is open: have the export mended and give the mended \
             dump"
        }
    }
}
