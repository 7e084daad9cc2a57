//! Densities of fluids that are known without measuring them.
//!
//! Why:    a meter full of a known fluid shows its density error without any other meter.
//! In:     temperature, degC (ITS-90); absolute pressure, kPa.
//! Out:    kg/m3; `None` outside the span of the formula: a refused number is better than one
//!         that is 0.15 kg/m3 off.
//! Method: pure water by the CIPM formula, 0..40 degC, and by Kell's on ITS-90 above, up to
//!         100 degC; the step between them at 40 degC is 0.003 kg/m3. Compressibility as in the
//!         CIPM formula (4.6e-7 per kPa at 20 degC), from 40 degC on held at its value there.
//! Source: Tanaka et al. (2001), Metrologia 38, 301-309, doi:10.1088/0026-1394/38/4/3
//!         (coefficients from memory, confirmed against IAPWS-95 to 1e-3); Kell (1975), J. Chem.
//!         Eng. Data 20, 97, converted to ITS-90 as in public codes.
//! Limits: pure water. Dissolved air takes off up to 0.004 kg/m3; salts and product do more.

/// Standard atmosphere, kPa.
pub const STANDARD_PRESSURE_KPA: f64 = 101.325;

/// Highest temperature of the CIPM formula, degC.
const CIPM_TOP_DEGC: f64 = 40.0;
/// Highest temperature to which Kell's formula is used here, degC.
const KELL_TOP_DEGC: f64 = 100.0;

/// Density, kg/m3, of a reference fluid by its name in the register; `None` for fluids that are
/// not known here and outside the formula's span.
pub fn reference_density(fluid: &str, temperature_degc: f64, pressure_kpa: f64) -> Option<f64> {
    fluid.trim().eq_ignore_ascii_case("water").then(|| water(temperature_degc, pressure_kpa))?
}

/// Pure water, 0..100 degC.
pub fn water(temperature_degc: f64, pressure_kpa: f64) -> Option<f64> {
    let at_atmosphere = water_cipm(temperature_degc).or_else(|| water_kell(temperature_degc))?;
    let over_pa = (pressure_kpa - STANDARD_PRESSURE_KPA) * 1000.0;
    let compressed = 1.0 + water_compressibility_per_pa(temperature_degc) * over_pa;
    (compressed.is_finite() && compressed > 0.0).then_some(at_atmosphere * compressed)
}

/// Pure water at 101.325 kPa, 0..40 degC.
pub fn water_cipm(temperature_degc: f64) -> Option<f64> {
    const A1: f64 = -3.983_035;
    const A2: f64 = 301.797;
    const A3: f64 = 522_528.9;
    const A4: f64 = 69.348_81;
    const A5: f64 = 999.974_950;
    let t = temperature_degc;
    let density = A5 * (1.0 - (t + A1).powi(2) * (t + A2) / (A3 * (t + A4)));
    (0.0..=CIPM_TOP_DEGC).contains(&t).then_some(density)
}

/// Pure water at 101.325 kPa, 0..100 degC, less exact than [`water_cipm`] below 40 degC.
pub fn water_kell(temperature_degc: f64) -> Option<f64> {
    const TOP: [f64; 6] =
        [999.839_52, 16.952_577, -7.990_512_7e-3, -46.241_757e-6, 105.846_01e-9, -281.030_06e-12];
    const BOTTOM: f64 = 16.887_236e-3;
    let t = temperature_degc;
    let top = TOP.iter().rev().fold(0.0, |sum, coefficient| sum * t + coefficient);
    (0.0..=KELL_TOP_DEGC).contains(&t).then_some(top / (1.0 + BOTTOM * t))
}

/// Isothermal compressibility of water, 1/Pa, as in the CIPM formula (from memory).
fn water_compressibility_per_pa(temperature_degc: f64) -> f64 {
    let t = temperature_degc.min(CIPM_TOP_DEGC);
    (50.74 - 0.326 * t + 0.00416 * t * t) * 1e-11
}

#[cfg(test)]
mod tests {
    use super::*;

    /// (degC, IAPWS-95 by two programs (CoolProp 8.0.0, iapws 1.5.5), CIPM, Kell on ITS-90).
    const WATER: [(f64, f64, f64, f64); 8] = [
        (4.0, 999.974_869, 999.974_948, 999.971_99),
        (10.0, 999.702_470, 999.702_702, 999.699_43),
        (15.0, 999.102_621, 999.102_572, 999.099_06),
        (20.0, 998.207_150, 998.206_746, 998.203_12),
        (25.0, 997.047_637, 997.047_022, 997.043_31),
        (30.0, 995.649_454, 995.648_797, 995.644_99),
        (40.0, 992.216_353, 992.215_209, 992.211_86),
        (60.0, 983.195_824, f64::NAN, 983.190_80),
    ];

    #[test]
    fn water_agrees_with_the_published_formulas_as_printed() {
        for (t, iapws, cipm, kell) in WATER {
            if let Some(density) = water_cipm(t) {
                assert!((density - cipm).abs() < 5.1e-7, "CIPM at {t}: {density}");
            }
            let density = water_kell(t).expect("in span");
            assert!((density - kell).abs() < 5.1e-6, "Kell at {t}: {density}");
            // Spread between published formulations: 0.008 up to 40 degC, 0.02 at 60.
            let density = water(t, STANDARD_PRESSURE_KPA).expect("in span");
            assert!((density - iapws).abs() < if t <= 40.0 { 0.008 } else { 0.02 }, "{t}");
        }
    }

    /// IAPWS-95 at 80 and 90 degC (two programs): Kell stays within 0.03 kg/m3.
    #[test]
    fn hot_water_stays_near_iapws() {
        for (t, iapws) in [(80.0, 971.790_398), (90.0, 965.309_590)] {
            let density = water(t, STANDARD_PRESSURE_KPA).expect("in span");
            assert!((density - iapws).abs() < 0.03, "{t}: {density}");
        }
    }

    #[test]
    fn outside_their_span_formulas_give_nothing() {
        for t in [-0.1, 40.1, f64::NAN, f64::INFINITY] {
            assert_eq!(water_cipm(t), None, "{t}");
        }
        for t in [-0.1, 100.1, f64::NAN] {
            assert_eq!(water(t, STANDARD_PRESSURE_KPA), None, "{t}");
        }
        assert_eq!(water(20.0, f64::NAN), None);
        assert_eq!(reference_density("brine", 20.0, STANDARD_PRESSURE_KPA), None);
        assert!(reference_density(" Water", 20.0, STANDARD_PRESSURE_KPA).is_some());
    }

    /// EOS-80 secant at 0 degC (UNESCO 1983): 999.842594 at 0 and 1045.33710972 at 10,000 dbar,
    /// 4.55 % denser. The CIPM form is linear, so only its initial slope may agree: at 100 dbar
    /// (1000 kPa) EOS-80 gives a bulk modulus near 19,652 bar (from memory), 5.09e-4 per 10 bar.
    #[test]
    fn pressure_compresses_water_by_half_a_per_mille_in_ten_bar() {
        let (low, high) = (water(0.0, 101.325), water(0.0, 1101.325));
        let ratio = high.expect("in span") / low.expect("in span") - 1.0;
        assert!((ratio - 5.09e-4).abs() < 5e-6, "{ratio}");
    }
}
