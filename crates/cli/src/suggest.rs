//! What somebody may have meant: unknown keys of the site file and of pipeline files.

/// Names closer than this are offered (Jaro-Winkler, 1 = equal); the prompt's own parser offers
/// from 0.7 on as well.
const ALIKE: f64 = 0.7;

/// The known name that is most like what was read.
pub fn nearest<'a>(read: &str, known: &[&'a str]) -> Option<&'a str> {
    known
        .iter()
        .map(|name| (strsim::jaro_winkler(read, name), *name))
        .filter(|(likeness, _)| *likeness > ALIKE)
        .max_by(|a, b| a.0.total_cmp(&b.0).then_with(|| b.1.cmp(a.1)))
        .map(|(_, name)| name)
}

/// `did you mean `x`?` for an error that names what it read and what it knows.
///
/// serde says: unknown field `x`, expected one of `a`, `b` (or: expected `a` or `b`).
pub fn for_unknown(error: &str) -> Option<String> {
    // Older site files set it twice.
    if error.contains("unknown field `drive_ceiling_pct`") {
        return Some(
            "set it once, as `drive_ceiling_pct` of [features]: the verdict reads it from there"
                .into(),
        );
    }
    let start =
        ["unknown field ", "unknown variant "].iter().find_map(|words| error.find(words))?;
    let quoted: Vec<&str> = error[start..].split('`').skip(1).step_by(2).collect();
    let (read, known) = quoted.split_first()?;
    nearest(read, known).map(|name| format!("did you mean `{name}`?"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_pen_is_offered_and_a_stranger_is_not() {
        let error = "unknown field `delimeter`, expected one of `name`, `files`, `delimiter`";
        assert_eq!(for_unknown(error).as_deref(), Some("did you mean `delimiter`?"));
        let two = "unknown variant `featurs`, expected `import` or `features`";
        assert_eq!(for_unknown(two).as_deref(), Some("did you mean `features`?"));
        assert_eq!(for_unknown("unknown field `qqq`, expected `name`"), None);
        assert_eq!(for_unknown("missing field `name`"), None);
    }
}
