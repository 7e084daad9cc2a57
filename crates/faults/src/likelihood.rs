//! Gaussian likelihood of one observable with correlated noise, unknown nuisance and a shape.
//!
//! Model:  y ~ N(a g, S),  S = s^2 (W + C) + Z Z'. W is diagonal, C a first-order process or a
//!         random walk, the columns of Z are nuisance directions scaled to unit prior variance
//!         (level, covariates with the covariance of their coefficients, free steps).
//! Out:    ln N(y; 0, S), and per shape g'S^-1 y and g'S^-1 g, from which the gain of the shape
//!         is (g'S^-1 y)^2 / (2 g'S^-1 g).
//! Method: a one-state filter whitens the columns, O(T) each; Z enters by the matrix inversion
//!         lemma with a factor of Z's size.
//! Source: Kalman (1960); Harvey (1989), chapter 3. Checked against dense covariances.

use crate::num::cholesky;
use crate::shape::{Kind, Shape};
use metersift_stats as stats;
use std::f64::consts::TAU;

/// Noise of block values, in units of the white part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Noise {
    /// No memory.
    White,
    /// Plus a first-order process.
    FirstOrder {
        /// Its variance over the white variance.
        r: f64,
        /// Its time constant, days.
        tau_days: f64,
    },
    /// Plus a random walk.
    Walk {
        /// Its variance over the white variance, after `days` ...
        r: f64,
        /// ... this many days.
        days: f64,
    },
}

impl Noise {
    /// Variance of the difference of two values `dt` days apart, white parts `w0`, `w1`.
    pub fn difference_variance(self, dt: f64, w0: f64, w1: f64) -> f64 {
        let memory = match self {
            Noise::White => 0.0,
            Noise::FirstOrder { r, tau_days } => 2.0 * r * (1.0 - (-dt / tau_days).exp()),
            Noise::Walk { r, days } => r * dt / days,
        };
        w0 + w1 + memory
    }
}

/// One observable's block values and their nuisance columns.
#[derive(Clone, Debug)]
pub struct Data {
    /// Day numbers, increasing.
    pub t: Vec<f64>,
    /// Values.
    pub y: Vec<f64>,
    /// White variances relative to a block of usual size.
    pub w: Vec<f64>,
    /// Nuisance columns, unit prior variance.
    pub z: Vec<Vec<f64>>,
}

impl Data {
    /// Takes out the blocks that are marked.
    pub fn drop_blocks(&mut self, marked: &[bool]) {
        let columns = [&mut self.t, &mut self.y, &mut self.w].into_iter().chain(&mut self.z);
        for column in columns {
            let mut marks = marked.iter();
            column.retain(|_| !marks.next().copied().unwrap_or(false));
        }
    }
}

/// What one noise model makes of the data.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// ln N(y; 0, S).
    pub log_likelihood: f64,
    /// g'S^-1 y per shape.
    pub score: Vec<f64>,
    /// g'S^-1 g per shape; 0 where the data cannot see the shape.
    pub information: Vec<f64>,
}

/// The shapes of a fit at the times of its data. Ramps and steps are zero before their onset and
/// need no columns of their own: products with them are sums from the onset on.
#[derive(Clone, Debug, Default)]
pub struct Profiles {
    /// First time index past the onset, onset, and 1 / (end - onset); by onset.
    ramps: Vec<(usize, f64, f64)>,
    /// First time index at or past the onset; by onset.
    steps: Vec<usize>,
    /// Other shapes as values, one row per time.
    others: Vec<f64>,
    n_others: usize,
}

impl Profiles {
    /// Profiles of shapes in the order ramps, steps, others, the first two by onset; `end` is
    /// where ramps reach 1 and `value` gives the others.
    pub fn new(
        shapes: &[Shape],
        t: &[f64],
        end: f64,
        value: impl Fn(&Shape, f64) -> f64,
    ) -> Profiles {
        let mut profiles = Profiles::default();
        for shape in shapes {
            match shape.kind {
                Kind::Ramp => {
                    let first = t.partition_point(|t| *t <= shape.onset);
                    profiles.ramps.push((first, shape.onset, (end - shape.onset).recip()));
                }
                Kind::Step => profiles.steps.push(t.partition_point(|t| *t < shape.onset)),
                Kind::Concave | Kind::Convex | Kind::Saw | Kind::Old => profiles.n_others += 1,
            }
        }
        let others = &shapes[shapes.len() - profiles.n_others..];
        let row = |t: &f64| others.iter().map(|shape| value(shape, *t)).collect::<Vec<f64>>();
        profiles.others = t.iter().flat_map(row).collect();
        debug_assert!(profiles.ramps.windows(2).all(|p| p[0].1 <= p[1].1));
        debug_assert!(profiles.steps.windows(2).all(|p| p[0] <= p[1]));
        profiles
    }

    /// Number of shapes.
    pub fn len(&self) -> usize {
        self.ramps.len() + self.steps.len() + self.n_others
    }
}

/// Memory that survives from fit to fit.
#[derive(Default)]
pub struct Scratch {
    filter: Vec<FilterStep>,
    white: Vec<f64>,
    adjoint: Vec<f64>,
    tails: Vec<f64>,
    time_tails: Vec<f64>,
    cross: Vec<f64>,
    gram: Vec<f64>,
    own: Vec<f64>,
    memory: Vec<f64>,
    slopes: Vec<(f64, f64)>,
}

/// Constants of the filter at one time: 1/sqrt(variance), gain, decay to the next time.
#[derive(Clone, Copy, Debug)]
struct FilterStep {
    scale: f64,
    gain: f64,
    decay: f64,
}

/// Below this share of a shape's own information, what is left after nuisance is rounding.
const INVISIBLE: f64 = 1e-9;

/// Fits one noise model of scale `s` (standard deviation of the white part).
///
/// With W the whitening map of the noise, products of a shape with the nuisance columns and with
/// y are g'W'Wx: the adjoint filter gives u = W'Wx once per column, and a ramp or a step takes
/// its product from sums of u and t u over the tail. Only the shapes' own norms are filtered.
pub fn fit(data: &Data, noise: Noise, s: f64, profiles: &Profiles, scratch: &mut Scratch) -> Fit {
    let (n, q, n_shapes) = (data.t.len(), data.z.len(), profiles.len());
    let log_det_noise = filter(noise, &data.t, &data.w, &mut scratch.filter);
    let columns = q + 1;
    resize(&mut scratch.white, columns * n);
    resize(&mut scratch.adjoint, columns * n);
    for (c, column) in data.z.iter().chain([&data.y]).enumerate() {
        let white = &mut scratch.white[c * n..(c + 1) * n];
        whiten(&scratch.filter, column, white);
        whiten_adjoint(&scratch.filter, white, &mut scratch.adjoint[c * n..(c + 1) * n]);
    }
    cross_products(data, profiles, columns, scratch);
    own_norms(data, profiles, scratch);
    // Gram matrix of the nuisance, and nuisance with y.
    let s2 = s * s;
    resize(&mut scratch.gram, q * q);
    let mut z_y = vec![0.0; q];
    let dot = |a: usize, b: usize, white: &[f64]| -> f64 {
        white[a * n..(a + 1) * n].iter().zip(&white[b * n..(b + 1) * n]).map(|(x, y)| x * y).sum()
    };
    for a in 0..q {
        for b in 0..=a {
            scratch.gram[a * q + b] = dot(a, b, &scratch.white);
        }
        scratch.gram[a * q + a] += s2;
        z_y[a] = dot(a, q, &scratch.white);
    }
    let y_y = dot(q, q, &scratch.white);
    cholesky(&mut scratch.gram, q);
    stats::solve_lower(&scratch.gram, q, &mut z_y);
    let mut log_det = n as f64 * s2.ln() + log_det_noise - q as f64 * s2.ln();
    for a in 0..q {
        log_det += 2.0 * scratch.gram[a * q + a].ln();
    }
    let quadratic = (y_y - z_y.iter().map(|x| x * x).sum::<f64>()).max(0.0) / s2;
    // Rows of `cross`: nuisance columns, then y; one entry per shape.
    let (z_g, y_g) = scratch.cross.split_at_mut(q * n_shapes);
    project(&scratch.gram, q, z_g, n_shapes);
    let mut information = scratch.own.clone();
    let mut score = y_g.to_vec();
    for (row, &y) in z_g.chunks_exact(n_shapes.max(1)).zip(&z_y) {
        for ((information, score), &z) in information.iter_mut().zip(&mut score).zip(row) {
            *information -= z * z;
            *score -= z * y;
        }
    }
    for ((information, score), own) in information.iter_mut().zip(&mut score).zip(&scratch.own) {
        let visible = *information > INVISIBLE * own && *information > 0.0;
        *information = if visible { *information / s2 } else { 0.0 };
        *score = if visible { *score / s2 } else { 0.0 };
    }
    let log_likelihood = -0.5 * (n as f64 * TAU.ln() + log_det + quadratic);
    Fit { log_likelihood, score, information }
}

fn resize(buffer: &mut Vec<f64>, len: usize) {
    buffer.clear();
    buffer.resize(len, 0.0);
}

/// Constants of the filter; returns ln det (W + C).
fn filter(noise: Noise, t: &[f64], w: &[f64], steps: &mut Vec<FilterStep>) -> f64 {
    steps.clear();
    let mut variance = match noise {
        Noise::FirstOrder { r, .. } => r,
        Noise::White | Noise::Walk { .. } => 0.0,
    };
    let mut log_det = 0.0;
    for i in 0..t.len() {
        let total = variance + w[i];
        log_det += total.ln();
        let gain = variance / total;
        let left = variance * (1.0 - gain);
        let dt = if i + 1 < t.len() { t[i + 1] - t[i] } else { 0.0 };
        let (decay, next) = match noise {
            Noise::White => (0.0, 0.0),
            Noise::FirstOrder { r, tau_days } => {
                let decay = (-dt / tau_days).exp();
                (decay, decay * decay * left + r * (1.0 - decay * decay))
            }
            Noise::Walk { r, days } => (1.0, left + r * dt / days),
        };
        steps.push(FilterStep { scale: total.sqrt().recip(), gain, decay });
        variance = next;
    }
    log_det
}

/// W x: the standardised surprises of a column.
fn whiten(steps: &[FilterStep], x: &[f64], white: &mut [f64]) {
    let mut memory = 0.0;
    for ((step, x), white) in steps.iter().zip(x).zip(white) {
        let surprise = x - memory;
        *white = surprise * step.scale;
        memory = step.decay * (memory + step.gain * surprise);
    }
}

/// W' v.
fn whiten_adjoint(steps: &[FilterStep], v: &[f64], out: &mut [f64]) {
    let mut later = 0.0;
    for ((step, v), out) in steps.iter().zip(v).zip(out).rev() {
        let own = v * step.scale;
        *out = own + step.decay * step.gain * later;
        later = step.decay * (1.0 - step.gain) * later - own;
    }
}

/// Products of every shape with every column, `cross[column][shape]`.
fn cross_products(data: &Data, profiles: &Profiles, columns: usize, scratch: &mut Scratch) {
    let (n, n_shapes) = (data.t.len(), profiles.len());
    resize(&mut scratch.cross, columns * n_shapes);
    for c in 0..columns {
        let u = &scratch.adjoint[c * n..(c + 1) * n];
        resize(&mut scratch.tails, n + 1);
        resize(&mut scratch.time_tails, n + 1);
        for i in (0..n).rev() {
            scratch.tails[i] = scratch.tails[i + 1] + u[i];
            scratch.time_tails[i] = scratch.time_tails[i + 1] + (data.t[i] - data.t[0]) * u[i];
        }
        let row = &mut scratch.cross[c * n_shapes..(c + 1) * n_shapes];
        let (ramps, rest) = row.split_at_mut(profiles.ramps.len());
        let (steps, others) = rest.split_at_mut(profiles.steps.len());
        for (value, &(first, onset, scale)) in ramps.iter_mut().zip(&profiles.ramps) {
            let offset = onset - data.t[0];
            *value = scale * (scratch.time_tails[first] - offset * scratch.tails[first]);
        }
        for (value, &first) in steps.iter_mut().zip(&profiles.steps) {
            *value = scratch.tails[first];
        }
        if profiles.n_others > 0 {
            for (row, u) in profiles.others.chunks_exact(profiles.n_others).zip(u) {
                for (value, g) in others.iter_mut().zip(row) {
                    *value += g * u;
                }
            }
        }
    }
}

/// g'W'Wg of every shape. Shapes are sorted by onset, so at each time those that have begun are
/// a prefix: one loop over neighbours, which the compiler turns into vector instructions.
fn own_norms(data: &Data, profiles: &Profiles, scratch: &mut Scratch) {
    let n_shapes = profiles.len();
    resize(&mut scratch.own, n_shapes);
    resize(&mut scratch.memory, n_shapes);
    scratch.slopes.clear();
    scratch.slopes.extend(profiles.ramps.iter().map(|r| (r.1, r.2)));
    let (n_ramps, n_steps) = (profiles.ramps.len(), profiles.steps.len());
    let (mut begun_ramps, mut begun_steps) = (0, 0);
    for (i, step) in scratch.filter.iter().enumerate() {
        while begun_ramps < n_ramps && profiles.ramps[begun_ramps].0 <= i {
            begun_ramps += 1;
        }
        while begun_steps < n_steps && profiles.steps[begun_steps] <= i {
            begun_steps += 1;
        }
        let precision = step.scale * step.scale;
        let (own_ramps, own_rest) = scratch.own.split_at_mut(n_ramps);
        let (own_steps, own_others) = own_rest.split_at_mut(n_steps);
        let (memory_ramps, memory_rest) = scratch.memory.split_at_mut(n_ramps);
        let (memory_steps, memory_others) = memory_rest.split_at_mut(n_steps);
        let t = data.t[i];
        let advance = |x: f64, own: &mut f64, memory: &mut f64| {
            let surprise = x - *memory;
            *own += surprise * surprise * precision;
            *memory = step.decay * (*memory + step.gain * surprise);
        };
        let ramps = own_ramps[..begun_ramps].iter_mut().zip(&mut memory_ramps[..begun_ramps]);
        for ((own, memory), &(onset, scale)) in ramps.zip(&scratch.slopes) {
            advance((t - onset) * scale, own, memory);
        }
        let steps = own_steps[..begun_steps].iter_mut().zip(&mut memory_steps[..begun_steps]);
        for (own, memory) in steps {
            advance(1.0, own, memory);
        }
        let row = &profiles.others[i * profiles.n_others..(i + 1) * profiles.n_others];
        for ((own, memory), g) in own_others.iter_mut().zip(memory_others).zip(row) {
            advance(*g, own, memory);
        }
    }
}

/// L^-1 applied to every column of the q x m matrix `cross`.
fn project(l: &[f64], q: usize, cross: &mut [f64], m: usize) {
    for i in 0..q {
        let (done, rest) = cross.split_at_mut(i * m);
        let row = &mut rest[..m];
        for k in 0..i {
            let factor = l[i * q + k];
            for (x, &above) in row.iter_mut().zip(&done[k * m..(k + 1) * m]) {
                *x -= factor * above;
            }
        }
        let inverse = 1.0 / l[i * q + i];
        for x in row.iter_mut() {
            *x *= inverse;
        }
    }
}

/// Best estimate of the nuisance coefficients under white noise of scale `s` (the posterior
/// mean), for pictures and for the adjusted series.
pub fn nuisance_estimate(data: &Data, s: f64) -> Vec<f64> {
    let q = data.z.len();
    let mut gram = vec![0.0; q * q];
    let mut right = vec![0.0; q];
    for i in 0..data.t.len() {
        for a in 0..q {
            right[a] += data.z[a][i] * data.y[i] / data.w[i];
            for b in 0..q {
                gram[a * q + b] += data.z[a][i] * data.z[b][i] / data.w[i];
            }
        }
    }
    for a in 0..q {
        gram[a * q + a] += s * s;
    }
    cholesky(&mut gram, q);
    stats::solve_lower(&gram, q, &mut right);
    stats::solve_lower_transposed(&gram, q, &mut right);
    right
}

#[cfg(test)]
mod tests {
    use super::*;

    const T: [f64; 8] = [0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 35.0, 45.0];
    const Y: [f64; 8] = [0.1, -0.2, 0.35, 0.5, 0.1, -0.4, -0.1, 0.3];

    fn data(z: Vec<Vec<f64>>) -> Data {
        Data { t: T.to_vec(), y: Y.to_vec(), w: vec![1.0; 8], z }
    }

    fn profile(kind: Kind, onset: f64) -> (Profiles, Vec<f64>) {
        let shape = Shape { kind, onset };
        let values = T
            .iter()
            .map(|t| match kind {
                Kind::Ramp => ((t - onset) / (45.0 - onset)).max(0.0),
                Kind::Step => f64::from(u8::from(*t >= onset)),
                _ => 1.0 + 0.1 * t,
            })
            .collect();
        (Profiles::new(&[shape], &T, 45.0, |_, t| 1.0 + 0.1 * t), values)
    }

    fn ramp() -> Profiles {
        profile(Kind::Ramp, 0.0).0
    }

    /// Dense ln N(y; 0, S) by Gaussian elimination: shares no code with the filter.
    fn dense(s: &[Vec<f64>], y: &[f64]) -> f64 {
        let n = y.len();
        let mut a: Vec<Vec<f64>> = s.to_vec();
        let mut b = y.to_vec();
        let mut log_det = 0.0;
        let mut quadratic = 0.0;
        for k in 0..n {
            log_det += a[k][k].ln();
            quadratic += b[k] * b[k] / a[k][k];
            for i in k + 1..n {
                let factor = a[i][k] / a[k][k];
                let pivot_row = a[k].clone();
                for (x, p) in a[i].iter_mut().zip(&pivot_row) {
                    *x -= factor * p;
                }
                b[i] -= factor * b[k];
            }
        }
        -0.5 * (n as f64 * TAU.ln() + log_det + quadratic)
    }

    fn covariance(noise: Noise, s: f64, z: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let c = |i: usize, j: usize| match noise {
            Noise::White => 0.0,
            Noise::FirstOrder { r, tau_days } => r * (-(T[i] - T[j]).abs() / tau_days).exp(),
            Noise::Walk { r, days } => r * T[i].min(T[j]) / days,
        };
        (0..8)
            .map(|i| {
                (0..8)
                    .map(|j| {
                        let white = f64::from(u8::from(i == j));
                        let nuisance: f64 = z.iter().map(|col| col[i] * col[j]).sum();
                        s * s * (white + c(i, j)) + nuisance
                    })
                    .collect()
            })
            .collect()
    }

    /// scipy `multivariate_normal` and a hand-written recursion agree on these to 1e-14.
    #[test]
    fn correlated_noise_has_the_likelihood_of_scipy() {
        let mut scratch = Scratch::default();
        let first = Noise::FirstOrder { r: 0.5, tau_days: 15.0 };
        let got = fit(&data(vec![]), first, 0.2, &ramp(), &mut scratch);
        assert!((got.log_likelihood + 2.330_202_186_809_608).abs() < 1e-12);
        let a = got.score[0] / got.information[0];
        let se = got.information[0].sqrt().recip();
        assert!((a - 0.097_299_866_884_417_1).abs() < 1e-13, "{a}");
        assert!((se - 0.190_363_024_891_933_07).abs() < 1e-13, "{se}");
        assert!(((a / se).powi(2) / 2.0 - 0.130_625_901_954_57).abs() < 1e-12);
        let walk = Noise::Walk { r: 0.5, days: 60.0 };
        let got = fit(&data(vec![]), walk, 0.2, &ramp(), &mut scratch);
        assert!((got.log_likelihood + 3.100_082_938_010_608_3).abs() < 1e-12);
    }

    /// Local level model on the Nile, variances 15099 and 1469.1, diffuse start: statsmodels has
    /// log likelihood -633.4645636488787 (the density of the first value left out but for its
    /// constant). A level of sd L costs ln L more; L is finite here, hence the tolerance.
    #[test]
    fn a_random_walk_with_a_free_level_has_the_likelihood_of_the_nile() {
        let t: Vec<f64> = (0..100).map(f64::from).collect();
        let y: Vec<f64> = crate::oracle::NILE.iter().map(|x| f64::from(*x)).collect();
        let level = 1e6;
        let data = Data { t, y, w: vec![1.0; 100], z: vec![vec![level; 100]] };
        let noise = Noise::Walk { r: 1469.1 / 15_099.0, days: 1.0 };
        let s = 15_099_f64.sqrt();
        let none = Profiles::default();
        let got = fit(&data, noise, s, &none, &mut Scratch::default());
        let want = -633.464_563_648_878_7 - level.ln();
        assert!((got.log_likelihood - want).abs() < 1e-5, "{} {want}", got.log_likelihood);
    }

    #[test]
    fn nuisance_columns_agree_with_a_dense_covariance() {
        let level = vec![2.0; 8];
        let step: Vec<f64> = T.iter().map(|t| f64::from(u8::from(*t > 17.0))).collect();
        let mut scratch = Scratch::default();
        for noise in [
            Noise::White,
            Noise::FirstOrder { r: 2.0, tau_days: 60.0 },
            Noise::Walk { r: 6.0, days: 60.0 },
        ] {
            for (kind, onset) in
                [(Kind::Ramp, -20.0), (Kind::Ramp, 12.0), (Kind::Step, 30.0), (Kind::Old, 0.0)]
            {
                let (profile, values) = profile(kind, onset);
                let z = vec![level.clone(), step.clone()];
                let got = fit(&data(z.clone()), noise, 0.2, &profile, &mut scratch);
                let s = covariance(noise, 0.2, &z);
                let want = dense(&s, &Y);
                assert!((got.log_likelihood - want).abs() < 1e-9, "{noise:?}");
                // The gain of a shape is the difference of two log densities.
                let a = got.score[0] / got.information[0];
                let without: Vec<f64> = Y.iter().zip(&values).map(|(y, g)| y - a * g).collect();
                let gain = dense(&s, &without) - want;
                let claimed = 0.5 * got.score[0] * a;
                assert!((gain - claimed).abs() < 1e-9, "{noise:?} {kind:?}: {gain} {claimed}");
            }
        }
    }

    #[test]
    fn a_shape_that_nuisance_explains_is_invisible() {
        let wide = vec![1e4; 8];
        let old =
            Profiles::new(&[Shape { kind: Kind::Old, onset: f64::NAN }], &T, 45.0, |_, _| 1.0);
        let mut scratch = Scratch::default();
        let got = fit(&data(vec![wide]), Noise::White, 0.2, &old, &mut scratch);
        assert!(got.information[0] < 1e-6, "{}", got.information[0]);
    }
}
