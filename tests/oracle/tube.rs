//! The vibrating tube: resonance, wear and bubbles, of the simulator and of the statistics that
//! must read them back.

use metersift_sim::tube;
use metersift_stats as stats;

use crate::{assert_close, assert_within};

/// Stiffness N/m, structure mass kg, bore volume m3: structure mass over bore 2000 kg/m3.
const TUBE: (f64, f64, f64) = (1.2e6, 1.6, 0.8e-3);

/// kg/m3 and Hz: air and water at 20 degC, 60 Brix syrup.
const FILLS: [(f64, f64); 3] =
    [(1.2041, 137.790751635585), (998.2067, 112.573190799804), (1286.61, 107.520598957181)];

/// Source: Kratky, Leopold & Stabinger (1969), form rho = A tau^2 - r0 seen on a university
/// laboratory's page; numbers evaluated in Python. Tolerance: 1e-14, fifteen digits printed.
#[test]
fn resonance_of_three_fills() {
    let (k, m, v) = TUBE;
    for (density, frequency) in FILLS {
        assert_close(tube::resonance_hz(k, m, v, density), frequency, 1e-14, "frequency");
    }
}

/// Source: as above: A = 37995443.865877 kg/m3/s2, r0 = 2000 kg/m3. Tolerance: 1e-11, what
/// fifteen digits of a frequency leave; the density read back 1e-9.
#[test]
fn a_line_through_air_and_water_reads_syrup() {
    let period2 = |hz: f64| 1.0 / (hz * hz);
    let x: Vec<f64> = FILLS[..2].iter().flat_map(|fill| [1.0, period2(fill.1)]).collect();
    let y: Vec<f64> = FILLS[..2].iter().map(|fill| fill.0).collect();
    let line = stats::least_squares(&x, &y, 2).expect("two points");
    assert_close(line.coefficients[1], 37995443.865877, 1e-11, "A");
    assert_close(-line.coefficients[0], 2000.0, 1e-11, "r0");
    let syrup = line.coefficients[0] + line.coefficients[1] * period2(FILLS[2].1);
    assert_close(syrup, 1286.61, 1e-9, "syrup");
}

/// Indicated density of a tube whose stiffness, mass and bore changed by the given shares.
fn indicated(kappa: f64, mu: f64, nu: f64, density: f64) -> f64 {
    let (k, m, v) = TUBE;
    let hz = tube::resonance_hz(k * (1.0 + kappa), m * (1.0 + mu), v * (1.0 + nu), density);
    tube::indicated_density(k, v, m / v, hz)
}

/// Source: consequences of the resonance formula, evaluated in Python to twelve digits.
/// Tolerance: 1e-11 (1e-8 for the deposits, six decimals printed).
#[test]
fn what_damage_does_to_the_density_reading() {
    let water = 998.2067;
    assert_close(indicated(-0.01, -0.01, 0.0, water), 1008.28959596, 1e-11, "even thin wear");
    assert_close(indicated(-0.01, 0.0, 0.0, water), 1028.49161616, 1e-11, "stiffness -1 %");
    assert_close(indicated(-0.03, 0.0, 0.0, water), 1090.93474227, 1e-11, "stiffness -3 %");
    // A deposit takes bore and adds mass: v rho_d on top of the structure, v rho off the fill.
    let deposit = |share: f64, deposit_density: f64, density: f64| {
        indicated(0.0, share * deposit_density / 2000.0, -share, density)
    };
    assert_close(deposit(0.01, 1800.0, water), 1006.224633, 1e-9, "deposit in water");
    assert_close(deposit(0.01, 1590.0, 1286.61), 1289.6439, 1e-9, "deposit in syrup");
}

/// Identity in the thin-wall limit kappa = mu = -eps: density error = rho eps / (1 - eps),
/// whatever the structure mass. Tolerance: 1e-9 of a difference of densities.
#[test]
fn even_thin_wear_errs_by_its_share_of_the_density() {
    for eps in [0.001, 0.01, 0.04] {
        for density in [700.0, 998.2067, 1400.0] {
            let error = indicated(-eps, -eps, 0.0, density) - density;
            assert_close(error, density * eps / (1.0 - eps), 1e-9, "error");
        }
    }
}

/// Source: exact round sections I = pi/64 (D^4 - d^4) (any handbook), evaluated in Python: wall
/// loss 1 %: relative stiffness, steel mass and bore change in %.
/// Tolerance: 0.05 % relative, how far the short first-order forms lie from the exact ones.
#[test]
fn even_wear_of_the_simulator_agrees_with_exact_sections() {
    let sections = [
        (25.0, 1.0, [-0.879757, -0.958750, 0.173989]),
        (25.0, 0.5, [-0.940213, -0.979796, 0.083351]),
        (80.0, 2.0, [-0.925155, -0.974615, 0.105291]),
    ];
    for (outer, wall, want) in sections {
        let shape = tube::WearShape {
            centre: 0.5,
            half_width: 1e6,
            wall_to_bore: wall / (outer - 2.0 * wall),
            wall_mass_share: 1.0,
        };
        let change = tube::worn(&shape, 0.01);
        let got = [change.kappa, change.mu, change.nu].map(|share| 100.0 * share);
        for ((got, want), name) in got.into_iter().zip(want).zip(["stiffness", "mass", "bore"]) {
            assert_close(got, want, 5e-4, &format!("{outer} x {wall}: {name}"));
        }
    }
}

/// Source: Euler-Bernoulli, clamped-clamped first mode, E 195 GPa, 25.4 x 1.65 mm, 0.6 m, steel
/// 7980 kg/m3, evaluated in Python. Tolerance: 2e-9, nine digits printed.
#[test]
fn a_clamped_tube_sounds_as_the_handbook_says() {
    for (density, want) in [(1.2041, 411.457864), (998.2067, 349.106477), (1286.61, 335.768097)] {
        let hz = tube::clamped_tube_hz(195e9, 25.4e-3, 1.65e-3, 0.6, density);
        assert_close(hz, want, 2e-9, "frequency");
    }
}

/// Source: reaction-force coefficient of massless spheres, rigid (Landau & Lifshitz, section 24)
/// and clean (form from memory; limits checked), evaluated in Python.
/// Tolerance: half the sixth decimal printed.
#[test]
fn bubbles_pull_as_the_theory_says() {
    // layer thicknesses; rigid Re, Im; clean Re, Im
    let table = [
        (0.1, [1.000372, 0.004006, 1.000384, 0.006227]),
        (1.0, [1.098876, 0.161798, 1.152838, 0.353712]),
        (3.0, [1.487805, 0.390244, 2.243902, 0.804878]),
        (10.0, [2.235344, 0.421721, 2.973832, 0.159408]),
        (30.0, [2.708100, 0.230222, 2.999210, 0.019323]),
        (100.0, [2.910262, 0.083083, 2.999981, 0.001782]),
    ];
    for (beta, want) in table {
        let (rigid, clean) = (tube::reaction(beta, 1.0), tube::reaction(beta, 0.0));
        for (got, want) in [rigid.0, rigid.1, clean.0, clean.1].into_iter().zip(want) {
            assert_within(got, want, 5.1e-7, &format!("beta {beta}"));
        }
    }
}

/// Source: the same theory: damping has a maximum at 2.611 (clean) and 6.0 (rigid) layer
/// thicknesses. Drive gain is no function of the gas share alone. Tolerance: 0.1 of a thickness,
/// the grid.
#[test]
fn medium_bubbles_damp_most() {
    for (dirt, at, height) in [(0.0, 2.611, 0.824688), (1.0, 6.0, 0.457143)] {
        let damping = |i: i32| tube::reaction(f64::from(i) / 20.0, dirt).1;
        let best = (1..400).max_by(|&a, &b| damping(a).total_cmp(&damping(b))).expect("a grid");
        assert_within(f64::from(best) / 20.0, at, 0.1, "place");
        assert_within(damping(best), height, 1e-3, "height");
    }
}
