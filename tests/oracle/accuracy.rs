//! The accuracy law of a good meter.

use metersift_rank::good_error_pct;

use crate::assert_close;

/// Source: the law max(base, 100 zs / |q|) % as data sheets state it (terms: ISO 10790, contents
/// seen), evaluated in Python with base 0.1 % and zero stability 2.5 kg/h.
/// Tolerance: 1e-9, ten digits given.
#[test]
fn a_good_meter_errs_by_its_base_or_by_its_zero_whichever_is_more() {
    let cases = [
        (50000.0, 0.1),
        (10000.0, 0.1),
        (2500.0, 0.1),
        (2499.0, 0.100040016),
        (1000.0, 0.25),
        (500.0, 0.5),
        (250.0, 1.0),
        (-250.0, 1.0),
    ];
    for (flow, want) in cases {
        assert_close(good_error_pct(0.1, 2.5, flow), want, 1e-9, &format!("{flow} kg/h"));
    }
}
