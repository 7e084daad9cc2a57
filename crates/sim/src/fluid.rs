//! Fluids of Larkmoor Works: density in kg/m3 and viscosity in mPa s of each, by strength and
//! temperature in degC.
//!
//! Strength is Brix for syrups, mass fraction for everything else.
//! Source: water: Kell's formula on ITS-90; sucrose: ICUMSA polynomial (SPS-4, Emmerich 1994)
//!         and Genotelle's viscosity (Mathlouthi & Genotelle 1995); ethanol: OIML R 22 (1975);
//!         slurry: mass balance, viscosity by Krieger & Dougherty (1959); water viscosity,
//!         acid, caustic and oil: short forms from memory, good to a few per cent, which a
//!         fictional site may be.
//! Limits: strengths and temperatures are clamped to the span in which a formula was published.
#![expect(clippy::excessive_precision, reason = "coefficients stand as they are published")]

/// A kind of fluid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fluid {
    /// Water, condensate, dilute solutions.
    Water,
    /// Sucrose or glucose syrup, strength in Brix.
    Syrup,
    /// Starch in water, strength = mass fraction of solids of 1510 kg/m3.
    Starch,
    /// Fibre and grit in water, strength = mass fraction of solids of 1900 kg/m3.
    Grit,
    /// Ethanol in water, strength = mass fraction of ethanol.
    Ethanol,
    /// Hydrochloric acid, strength = mass fraction.
    Acid,
    /// Caustic soda, strength = mass fraction.
    Caustic,
    /// Germ oil; strength is not used.
    Oil,
}

/// Density of starch grains, kg/m3 (from memory: 1.5..1.6 g/cm3).
const STARCH_KG_M3: f64 = 1510.0;
/// Mean density of fibre, protein and grit, kg/m3 (judgement).
const GRIT_KG_M3: f64 = 1900.0;

impl Fluid {
    /// Density at about atmospheric pressure, kg/m3.
    pub fn density_kg_m3(self, strength: f64, temperature_degc: f64) -> f64 {
        let t = temperature_degc;
        match self {
            Fluid::Water => water_density(t),
            Fluid::Syrup => sucrose_density(strength, t),
            Fluid::Starch => slurry_density(strength, STARCH_KG_M3, water_density(t)),
            Fluid::Grit => slurry_density(strength, GRIT_KG_M3, water_density(t)),
            Fluid::Ethanol => ethanol_density(strength, t),
            Fluid::Acid => 998.2 + 495.0 * strength - (0.30 + 0.55 * strength) * (t - 20.0),
            Fluid::Caustic => {
                998.2 + 1115.0 * strength
                    - 120.0 * strength * strength
                    - (0.35 + 0.60 * strength) * (t - 20.0)
            }
            Fluid::Oil => 918.0 - 0.66 * (t - 20.0),
        }
    }

    /// Dynamic viscosity, mPa s.
    pub fn viscosity_mpa_s(self, strength: f64, temperature_degc: f64) -> f64 {
        let t = temperature_degc;
        match self {
            Fluid::Water => water_viscosity(t),
            Fluid::Syrup => sucrose_viscosity(strength, t),
            Fluid::Starch => crowded(water_viscosity(t), strength, STARCH_KG_M3, t),
            Fluid::Grit => crowded(water_viscosity(t), strength, GRIT_KG_M3, t),
            Fluid::Ethanol => {
                let p = strength.clamp(0.0, 1.0);
                // A hump near 45 % and 1.2 mPa s of pure ethanol at 20 degC.
                (1.0 + 0.2 * p + 6.8 * (p * (1.0 - p)).powf(1.15))
                    * (-(0.026 - 0.008 * p) * (t - 20.0)).exp()
            }
            Fluid::Acid => (1.0 + 2.8 * strength) * (-0.021 * (t - 20.0)).exp(),
            Fluid::Caustic => {
                (8.7 * strength).exp() * (-(0.022 + 0.05 * strength) * (t - 20.0)).exp()
            }
            Fluid::Oil => 65.0 * (-0.038 * (t - 20.0)).exp(),
        }
    }
}

/// Water at 101.325 kPa by Kell's formula on ITS-90, kg/m3.
pub fn water_density(t: f64) -> f64 {
    let t = t.clamp(0.0, 100.0);
    (999.83952 + 16.952577 * t - 7.9905127e-3 * t.powi(2) - 46.241757e-6 * t.powi(3)
        + 105.84601e-9 * t.powi(4)
        - 281.03006e-12 * t.powi(5))
        / (1.0 + 16.887236e-3 * t)
}

/// Water, mPa s: 10^(247.8/(T - 140)) form (from memory, within 3 % of IAPWS 2008).
pub fn water_viscosity(t: f64) -> f64 {
    2.414e-2 * 10f64.powf(247.8 / (t.clamp(0.0, 120.0) + 273.15 - 140.0))
}

/// True density of sucrose solutions (ICUMSA), kg/m3.
pub fn sucrose_density(brix: f64, t: f64) -> f64 {
    const ROWS: [&[f64]; 5] = [
        &[385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890],
        &[-46.2720, -7.1720, 1.1597, 5.1126, 17.5254],
        &[59.7712, 7.2491, 12.3630, -35.4791],
        &[-47.2207, -21.6977, 27.6301],
        &[18.3184, 12.3081],
    ];
    let fraction = brix.clamp(0.0, 90.0) / 100.0;
    let scaled = (t - 20.0) / 100.0;
    let mut sum = water_density(t);
    for (j, row) in ROWS.iter().enumerate() {
        let inner = row.iter().rev().fold(0.0, |sum, c| (sum + c) * fraction);
        sum += inner * scaled.powi(j as i32);
    }
    sum
}

/// Genotelle's viscosity of sucrose solutions, mPa s; published for 20..75 Brix.
pub fn sucrose_viscosity(brix: f64, t: f64) -> f64 {
    let brix = brix.clamp(0.0, 78.0);
    let n = brix / (1900.0 - 18.0 * brix);
    let log10 = 22.46 * n - 0.114 + (30.0 - t) / (91.0 + t) * (1.1 + 43.1 * n.powf(1.25));
    10f64.powf(log10)
}

/// Solids and liquid by mass balance, kg/m3.
pub fn slurry_density(solids: f64, solid_kg_m3: f64, liquid_kg_m3: f64) -> f64 {
    1.0 / (solids / solid_kg_m3 + (1.0 - solids) / liquid_kg_m3)
}

/// Krieger & Dougherty with a densest packing of 0.58 and an intrinsic viscosity of 2.5.
fn crowded(liquid_mpa_s: f64, solids: f64, solid_kg_m3: f64, t: f64) -> f64 {
    let density = slurry_density(solids, solid_kg_m3, water_density(t));
    let share = (solids * density / solid_kg_m3).clamp(0.0, 0.55);
    liquid_mpa_s * (1.0 - share / 0.58).powf(-2.5 * 0.58)
}

/// Ethanol and water by OIML R 22, kg/m3; published for -20..40 degC, clamped to it.
pub fn ethanol_density(mass_fraction: f64, t: f64) -> f64 {
    const A: [f64; 12] = [
        998.20123,
        -192.9769495,
        389.1238958,
        -1668.103923,
        13522.15441,
        -88292.78388,
        306287.4042,
        -613838.1234,
        747017.2998,
        -547846.1354,
        223446.0334,
        -39032.85426,
    ];
    const B: [f64; 6] =
        [-2.0618513e-1, -5.2682542e-3, 3.6130013e-5, -3.8957702e-7, 7.1693540e-9, -9.9739231e-11];
    const C: [&[f64]; 5] = [
        &[
            1.693443461530087e-1,
            -1.046914743455169e1,
            7.196353469546523e1,
            -7.047478054272792e2,
            3.924090430035045e3,
            -1.210164659068747e4,
            2.248646550400788e4,
            -2.605562982188164e4,
            1.852373922069467e4,
            -7.420201433430137e3,
            1.285617841998974e3,
        ],
        &[
            -1.193013005057010e-2,
            2.517399633803461e-1,
            -2.170575700536993,
            1.353034988843029e1,
            -5.029988758547014e1,
            1.096355666577570e2,
            -1.422753946421155e2,
            1.080435942856230e2,
            -4.414153236817392e1,
            7.442971530188783,
        ],
        &[
            -6.802995733503803e-4,
            1.876837790289664e-2,
            -2.002561813734156e-1,
            1.022992966719220,
            -2.895696483903638,
            4.810060584300675,
            -4.672147440794683,
            2.458043105903461,
            -5.411227621436812e-1,
        ],
        &[4.075376675622027e-6, -8.763058573471110e-6, 6.515031360099368e-6, -1.515784836987210e-6],
        &[-2.788074354782409e-8, 1.345612883493354e-8],
    ];
    let p = mass_fraction.clamp(0.0, 1.0);
    let d = t.clamp(-20.0, 40.0) - 20.0;
    let by_fraction = A.iter().rev().fold(0.0, |sum, a| sum * p + a);
    let by_temperature = B.iter().rev().fold(0.0, |sum, b| (sum + b) * d);
    let mixed: f64 = C
        .iter()
        .enumerate()
        .map(|(i, row)| row.iter().rev().fold(0.0, |sum, c| (sum + c) * p) * d.powi(i as i32 + 1))
        .sum();
    by_fraction + by_temperature + mixed
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: f64, want: f64, tolerance: f64, what: &str) {
        assert!((got - want).abs() <= tolerance, "{what}: {got} against {want}");
    }

    /// Kell's formula on ITS-90 as printed to five decimals, recomputed with CoolProp 8.0.0 and
    /// iapws 1.5.5 for the range: half a unit of the last printed digit.
    #[test]
    fn water_density_agrees_with_kell_and_iapws() {
        for (t, kell) in [
            (4.0, 999.97199),
            (10.0, 999.69943),
            (20.0, 998.20312),
            (40.0, 992.21186),
            (60.0, 983.19080),
        ] {
            near(water_density(t), kell, 5e-6, "Kell");
        }
        // IAPWS-95 at 80 and 90 degC: two formulations, 0.02 kg/m3 apart at most.
        near(water_density(80.0), 971.790398, 0.02, "IAPWS 80");
        near(water_density(90.0), 965.309590, 0.02, "IAPWS 90");
    }

    /// ICUMSA polynomial evaluated independently (Python); printed to 0.01.
    #[test]
    fn sucrose_density_agrees_with_the_icumsa_table() {
        for (brix, row) in [
            (5.0, [1019.57, 1017.81, 1015.04, 1011.45, 1002.21, 990.67]),
            (30.0, [1130.17, 1127.03, 1123.20, 1118.79, 1108.42, 1096.21]),
            (60.0, [1291.31, 1286.61, 1281.58, 1276.25, 1264.68, 1251.99]),
            (70.0, [1352.55, 1347.48, 1342.16, 1336.62, 1324.80, 1312.11]),
        ] {
            for (t, want) in [10.0, 20.0, 30.0, 40.0, 60.0, 80.0].into_iter().zip(row) {
                near(sucrose_density(brix, t), want, 0.005_1, "ICUMSA");
            }
        }
    }

    /// NBS Circular 440 table 114 (apparent specific gravity 20/20) turned into true density:
    /// SG (998.203 - 1.2) + 1.2. The two sources differ by up to 0.2 kg/m3 at 60 Brix.
    #[test]
    fn sucrose_density_agrees_with_nbs_440_within_the_gap_between_sources() {
        for (brix, gravity, gap) in
            [(10.0, 1.04003, 0.02), (50.0, 1.23202, 0.13), (60.0, 1.28909, 0.2)]
        {
            let want = gravity * (998.203 - 1.2) + 1.2;
            near(sucrose_density(brix, 20.0), want, gap, "NBS 440");
        }
    }

    /// Genotelle's formula evaluated independently (Python), printed to three decimals; water
    /// viscosity against IAPWS 2008 within the 3 % of the short form.
    #[test]
    fn viscosities_agree_with_genotelle_and_iapws() {
        for (brix, row) in [
            (20.0, [1.967, 1.711, 1.200, 0.835]),
            (60.0, [59.742, 44.415, 20.904, 9.661]),
            (70.0, [485.169, 321.239, 112.629, 38.496]),
        ] {
            for (t, want) in [20.0, 25.0, 40.0, 60.0].into_iter().zip(row) {
                near(sucrose_viscosity(brix, t), want, 5.1e-4, "Genotelle");
            }
        }
        for (t, want) in [(10.0, 1.305900), (20.0, 1.001596), (60.0, 0.466035), (90.0, 0.314175)] {
            near(water_viscosity(t), want, 0.03 * want, "IAPWS 2008");
        }
    }

    /// OIML R 22, printed to 0.01 (general formula evaluated independently in Python).
    #[test]
    fn ethanol_density_agrees_with_oiml_r_22() {
        for (p, row) in [
            (0.0, [999.84, 999.70, 998.20, 995.65, 992.21]),
            (0.2, [975.57, 972.52, 968.61, 963.91, 958.51]),
            (0.6, [907.16, 899.23, 891.10, 882.72, 874.11]),
            (1.0, [806.22, 797.76, 789.24, 780.65, 771.93]),
        ] {
            for (t, want) in [0.0, 10.0, 20.0, 30.0, 40.0].into_iter().zip(row) {
                near(ethanol_density(p, t), want, 0.005_1, "OIML R 22");
            }
        }
    }

    /// Mass balance with water of 998.2071 kg/m3, evaluated by rational arithmetic.
    #[test]
    fn slurry_density_is_the_mass_balance() {
        for (solid, w, want) in [
            (1500.0, 0.10, 1032.7557),
            (1500.0, 0.40, 1152.4132),
            (1610.0, 0.30, 1126.6429),
            (2650.0, 0.30, 1227.8001),
        ] {
            near(slurry_density(w, solid, 998.2071), want, 5.1e-5, "mass balance");
        }
    }
}
