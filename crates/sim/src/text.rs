//! Numbers and times to text, quickly and always the same way.

const POWERS: [f64; 10] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];

/// Appends `value` with a fixed count of decimals, half away from zero.
///
/// Values beyond 9e15 steps are cut there; a value that is no number is written as nothing.
pub(crate) fn fixed(out: &mut Vec<u8>, value: f64, decimals: usize, mark: u8) {
    if !value.is_finite() {
        return;
    }
    let decimals = decimals.min(9);
    let steps = (value.abs() * POWERS[decimals]).round().min(9e15) as u64;
    if value < 0.0 && steps > 0 {
        out.push(b'-');
    }
    let whole = steps / POWERS[decimals] as u64;
    unsigned(out, whole);
    if decimals > 0 {
        out.push(mark);
        padded(out, steps - whole * POWERS[decimals] as u64, decimals);
    }
}

/// The number that a reader makes of what [`fixed`] writes.
pub(crate) fn rounded(value: f64, decimals: usize) -> f64 {
    if !value.is_finite() {
        return f64::NAN;
    }
    let power = POWERS[decimals.min(9)];
    let steps = (value.abs() * power).round().min(9e15);
    // Digits and power are both exact, so one division rounds as reading the text does.
    if value < 0.0 && steps > 0.0 { -(steps / power) } else { steps / power }
}

/// Appends an unsigned number.
pub(crate) fn unsigned(out: &mut Vec<u8>, mut value: u64) {
    let mut digits = [0u8; 20];
    let mut at = digits.len();
    loop {
        at -= 1;
        digits[at] = b'0' + (value % 10) as u8;
        value /= 10;
        if value == 0 {
            break;
        }
    }
    out.extend_from_slice(&digits[at..]);
}

/// Appends a number with leading zeros.
pub(crate) fn padded(out: &mut Vec<u8>, mut value: u64, width: usize) {
    let from = out.len();
    out.resize(from + width, b'0');
    let mut at = out.len();
    while value > 0 && at > from {
        at -= 1;
        out[at] = b'0' + (value % 10) as u8;
        value /= 10;
    }
}

/// Appends `HH:MM:SS` of a second of the day.
pub(crate) fn clock(out: &mut Vec<u8>, second: u64) {
    padded(out, second / 3600, 2);
    out.push(b':');
    padded(out, second / 60 % 60, 2);
    out.push(b':');
    padded(out, second % 60, 2);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(value: f64, decimals: usize) -> String {
        let mut out = Vec::new();
        fixed(&mut out, value, decimals, b'.');
        String::from_utf8(out).unwrap_or_default()
    }

    #[test]
    fn fixed_agrees_with_the_formatter_of_the_language() {
        for (value, decimals) in
            [(0.0, 2), (1.5, 0), (-0.004, 2), (-3.25, 2), (998.2071, 3), (12345.678, 1), (0.05, 2)]
        {
            let want = format!("{value:.decimals$}");
            let want = if want == "-0.00" { "0.00".to_owned() } else { want };
            assert_eq!(text(value, decimals), want, "{value}");
        }
        assert_eq!(text(f64::NAN, 2), "");
    }

    #[test]
    fn what_is_rounded_is_what_the_text_reads_as() {
        for i in 0..2000 {
            let value = (f64::from(i) - 1000.0) * 1.234_567_891 + 0.000_49;
            for decimals in [0, 2, 5] {
                let read: f64 = text(value, decimals).parse().unwrap_or(f64::NAN);
                assert_eq!(rounded(value, decimals).to_bits(), read.to_bits(), "{value}");
            }
        }
    }

    #[test]
    fn clock_reads_like_a_clock() {
        let mut out = Vec::new();
        clock(&mut out, 86_399);
        assert_eq!(out, b"23:59:59");
    }
}
