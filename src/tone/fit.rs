//! Least-squares fit of tones with common frequencies to several channels:
//! the four-parameter sine fit of IEEE 1057, extended to many channels,
//! harmonics and further tones.
//!
//! In: samples of all channels, first guesses of the frequencies. Out:
//! frequencies, peak phasors, offsets and noise, each with its standard
//! uncertainty. Pure.
//!
//! # Model
//! `x_c(t) = offset_c + Σ_j Σ_h Re[A_cjh exp(i h 2 pi f_j t)] + noise_c`, with
//! the frequencies `f_j` common to all channels and t counted from the
//! **centre** of the window, where frequency and phase do not err together.
//!
//! # Method
//! Linear parameters by the normal equations, frequencies by Gauss–Newton on
//! the projected residual (variable projection). Each channel weighs by its
//! own noise, so the frequency reaches the Cramér–Rao bound of all channels
//! together: var(f) ≥ 6 sigma² fs² / (pi² A² N (N² − 1)) for one of them.

// The indices below run over matrices whose sizes this file itself sets.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use ndarray::{Array2, ArrayRef2, ArrayView1, ArrayView2};
use num_complex::Complex64;
use pulp::Simd;
use std::borrow::Cow;
use std::f64::consts::TAU;

use super::dense::{Cholesky, Symmetric};
use crate::maths;

/// A tone to fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneGuess {
    /// Its frequency, or the first guess of it, Hz.
    pub frequency_hz: f64,
    /// Whether the frequency is estimated; otherwise it is kept.
    pub free: bool,
    /// 1 for the fundamental alone, h for harmonics up to the h-th.
    pub orders: usize,
}

/// A frequency and its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrequencyEstimate {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Standard uncertainty, Hz; 0 where the frequency was given.
    pub frequency_u_hz: f64,
}

/// A peak phasor at the window's centre, with the covariance of its parts.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct PhasorEstimate {
    /// Peak phasor, in the unit of the samples.
    pub value: Complex64,
    /// Variance of the real part.
    pub var_re: f64,
    /// Variance of the imaginary part.
    pub var_im: f64,
    /// Covariance of real and imaginary part.
    pub cov: f64,
}

impl PhasorEstimate {
    /// Standard uncertainty of one part, the mean of the two.
    pub fn part_u(&self) -> f64 {
        (0.5 * (self.var_re + self.var_im)).sqrt()
    }

    /// The same phasor and covariance turned by a phasor of modulus 1.
    #[must_use]
    pub fn turned(&self, turn: Complex64) -> Self {
        let (c, s) = (turn.re, turn.im);
        let both = 2.0 * c * s * self.cov;
        Self {
            value: self.value * turn,
            var_re: c * c * self.var_re - both + s * s * self.var_im,
            var_im: s * s * self.var_re + both + c * c * self.var_im,
            cov: c * s * (self.var_re - self.var_im) + (c * c - s * s) * self.cov,
        }
    }

    /// The same phasor and covariance times a real factor.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        let square = factor * factor;
        Self {
            value: self.value * factor,
            var_re: self.var_re * square,
            var_im: self.var_im * square,
            cov: self.cov * square,
        }
    }
}

/// What the fit found in one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelFit {
    /// `phasors[j][h − 1]`: tone j, order h.
    pub phasors: Vec<Vec<PhasorEstimate>>,
    /// Covariance of each phasor's real and imaginary part with the frequency
    /// of its own tone, unit of the samples × Hz, in the same order; what is
    /// needed to say the phasor at another time than the window's centre.
    pub frequency_covs: Vec<Vec<Complex64>>,
    /// Mean value beneath the tones.
    pub offset: f64,
    /// Its standard uncertainty.
    pub offset_u: f64,
    /// Sum of squared residuals.
    pub residual_sum: f64,
    /// Standard deviation of the residual, with the degrees of freedom that
    /// the parameters took away.
    pub noise_rms: f64,
}

impl ChannelFit {
    /// The offset, then cosine and sine of each order of each tone.
    pub(super) fn parameters(&self) -> Vec<f64> {
        let orders = self.phasors.iter().flatten();
        std::iter::once(self.offset)
            .chain(orders.flat_map(|phasor| [phasor.value.re, -phasor.value.im]))
            .collect()
    }

    /// The sines of its tones, which stand at `frequencies_hz`, in their order: angle a sample and
    /// peak phasor.
    pub(super) fn sines(&self, frequencies_hz: &[f64], rate_hz: f64) -> Vec<(f64, Complex64)> {
        let tones = self.phasors.iter().zip(frequencies_hz);
        tones
            .flat_map(|(orders, hz)| {
                (1..).zip(orders).map(move |(order, phasor)| {
                    (TAU * f64::from(order) * hz / rate_hz, phasor.value)
                })
            })
            .collect()
    }
}

impl ToneFit {
    /// The tones at the frequencies that were found.
    pub(super) fn found(&self, tones: &[ToneGuess]) -> Vec<ToneGuess> {
        let found = tones.iter().zip(&self.frequencies);
        found
            .map(|(tone, found)| ToneGuess {
                frequency_hz: found.frequency_hz,
                ..*tone
            })
            .collect()
    }
}

/// The result for all channels.
#[derive(Debug, Clone, PartialEq)]
pub struct ToneFit {
    /// One entry a tone, in the order given.
    pub frequencies: Vec<FrequencyEstimate>,
    /// One entry a channel.
    pub channels: Vec<ChannelFit>,
}

/// Why no fit could be had.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Fewer samples than parameters.
    #[error("{samples} samples cannot fix {parameters} parameters; a longer window is right")]
    TooFewSamples {
        /// Samples in the window.
        samples: usize,
        /// Parameters of one channel.
        parameters: usize,
    },
    /// Two tones cannot be told apart in this window.
    #[error(
        "the tones cannot be told apart in this window; a longer window or fewer tones is right"
    )]
    Singular,
    /// Gauss–Newton left the guess behind.
    #[error("the frequency did not converge; a better first guess is right")]
    Diverged,
    /// A sample is not a finite number.
    #[error("a sample is not a finite number")]
    NotFinite,
}

/// Iterations before a fit counts as diverged. Three or four are usual; where
/// noise is as large as the tone the step halves each time, and twenty-five
/// are needed.
const ITERATIONS: usize = 40;
/// A fit has converged when the next step would be this part of the
/// frequency's standard uncertainty.
pub(super) const CONVERGED: f64 = 1e-6;
/// Samples a basis row is made for at once: small enough for the L1 cache,
/// and the rotation recurrence starts afresh here, so that its error stays
/// below 1e-14.
const CHUNK: usize = 128;
/// Values that are worked on side by side in sums.
const LANES: usize = 4;
/// And where turns are carried on by multiplication.
const TURNS: usize = 8;
/// Samples after which turns are taken from the sine again where a model is taken off: the error
/// stays below 1e-14.
const TURNED_ON: usize = 512;

/// Fits `tones` to `samples` (channels × samples, evenly spaced at `rate_hz`).
///
/// `frequency_channels[c]` says whether channel c sets the common
/// frequencies; a channel with a strong interfering tone should not.
pub fn fit(
    samples: ArrayView2<f64>,
    rate_hz: f64,
    tones: &[ToneGuess],
    frequency_channels: &[bool],
) -> Result<ToneFit, FitError> {
    fit_to(&samples, rate_hz, tones, frequency_channels)
}

/// Where a fit has its sums from.
pub(super) trait Projected {
    /// Samples.
    fn frames(&self) -> usize;
    /// Channels.
    fn channels(&self) -> usize;
    /// The sums of the channels named, at the frequencies of the basis.
    fn project(&self, basis: &ToneBasis, channels: &[usize], into: &mut Moments);
}

/// [`fit`] to whatever gives its sums.
pub(super) fn fit_to(
    samples: &impl Projected,
    rate_hz: f64,
    tones: &[ToneGuess],
    frequency_channels: &[bool],
) -> Result<ToneFit, FitError> {
    let frames = samples.frames();
    let mut basis = ToneBasis::new(frames, rate_hz, tones);
    let free = tones.iter().filter(|tone| tone.free).count();
    if frames < basis.columns() + free + 1 {
        return Err(FitError::TooFewSamples {
            samples: frames,
            parameters: basis.columns() + free,
        });
    }
    let sets_frequency = |channel: usize| frequency_channels.get(channel).copied().unwrap_or(true);
    let mut moments = Moments::new(&basis, samples.channels());
    let (mut last_step, mut remaining) = (f64::INFINITY, f64::INFINITY);
    for _ in 0..ITERATIONS {
        moments.gather(&basis, samples, sets_frequency)?;
        if free == 0 || remaining < CONVERGED {
            // The channels that only follow are looked at once, at the end.
            moments.gather(&basis, samples, |channel| !sets_frequency(channel))?;
            let linear = Linear::solve(&basis, &moments, free)?;
            return Ok(linear.report(&basis, &moments, frequency_channels));
        }
        let linear = Linear::solve(&basis, &moments, free)?;
        let newton = linear.newton(&basis, &moments, frequency_channels)?;
        // The step shrinks by about the same factor each time; what is still
        // to come is the next one.
        let step = basis.step(&newton)?;
        moments.gram = basis.gram();
        remaining = if last_step.is_finite() {
            step * (step / last_step).min(1.0)
        } else {
            step
        };
        last_step = step;
    }
    Err(FitError::Diverged)
}

/// The basis functions: 1, then cos and sin of every order of every tone.
pub(super) struct ToneBasis {
    frames: usize,
    /// Half the window, s: frequencies are handled as angle over this time, so
    /// that every number in the equations is of order one.
    half_s: f64,
    rate_hz: f64,
    /// Angular step over half the window, one a tone.
    angles: Vec<f64>,
    free: Vec<bool>,
    orders: Vec<usize>,
    first_angles: Vec<f64>,
}

impl ToneBasis {
    fn new(frames: usize, rate_hz: f64, tones: &[ToneGuess]) -> Self {
        let half_s = 0.5 * (frames.max(2) - 1) as f64 / rate_hz;
        let angles: Vec<f64> = tones
            .iter()
            .map(|tone| TAU * tone.frequency_hz * half_s)
            .collect();
        Self {
            frames,
            half_s,
            rate_hz,
            first_angles: angles.clone(),
            angles,
            free: tones.iter().map(|tone| tone.free).collect(),
            orders: tones.iter().map(|tone| tone.orders).collect(),
        }
    }

    fn columns(&self) -> usize {
        1 + 2 * self.orders.iter().sum::<usize>()
    }

    /// First column of each tone.
    fn first_columns(&self) -> Vec<usize> {
        let mut next = 1;
        self.orders
            .iter()
            .map(|orders| {
                let first = next;
                next += 2 * orders;
                first
            })
            .collect()
    }

    /// The angle a sample of every order of every tone, and its first column.
    pub(super) fn waves(&self) -> impl Iterator<Item = (f64, usize)> {
        let scale = 1.0 / (self.half_s * self.rate_hz);
        let tones = self.angles.iter().zip(&self.orders);
        tones
            .zip(self.first_columns())
            .flat_map(move |((angle, orders), first)| {
                (0..*orders).map(move |k| ((k + 1) as f64 * angle * scale, first + 2 * k))
            })
    }

    /// Writes the basis for frames `start..start + CHUNK` (fewer at the end)
    /// into `rows` (columns × CHUNK, zero beyond the end) and the scaled time
    /// (−1…1) into `times`.
    #[inline(always)]
    fn fill(&self, start: usize, rows: &mut [[f64; CHUNK]], times: &mut [f64; CHUNK]) {
        let count = CHUNK.min(self.frames - start);
        let to_scaled = 1.0 / (self.half_s * self.rate_hz);
        let centre = 0.5 * (self.frames - 1) as f64;
        for (i, time) in times.iter_mut().enumerate() {
            *time = if i < count {
                ((start + i) as f64 - centre) * to_scaled
            } else {
                0.0
            };
        }
        rows[0] = [0.0; CHUNK];
        rows[0][..count].fill(1.0);
        let mut column = 1;
        for (angle, orders) in self.angles.iter().zip(&self.orders) {
            for order in 1..=*orders {
                let angle = angle * order as f64;
                let step = maths::cis(angle * to_scaled);
                let four = (step * step) * (step * step);
                let stride = four * four;
                let mut turn = maths::cis(angle * times[0]);
                let (mut re, mut im) = ([0.0; TURNS], [0.0; TURNS]);
                for lane in 0..TURNS {
                    (re[lane], im[lane]) = (turn.re, turn.im);
                    turn *= step;
                }
                let (cosine, sine) = rows[column..].split_at_mut(1);
                let cosine = cosine[0].as_chunks_mut::<TURNS>().0.iter_mut();
                for (cosine, sine) in cosine.zip(sine[0].as_chunks_mut::<TURNS>().0) {
                    (*cosine, *sine) = (re, im);
                    for lane in 0..TURNS {
                        let (x, y) = (re[lane], im[lane]);
                        re[lane] = x * stride.re - y * stride.im;
                        im[lane] = x * stride.im + y * stride.re;
                    }
                }
                for row in &mut rows[column..column + 2] {
                    row[count..].fill(0.0);
                }
                column += 2;
            }
        }
    }

    /// Σ b_i b_j, Σ s b_i b_j and Σ s² b_i b_j, with s the scaled time, in
    /// closed form. The window is centred, so products that are odd in time
    /// vanish: cos with sin in the first and third, like with like in the second.
    fn gram(&self) -> [Symmetric; 3] {
        let scale = 1.0 / (self.half_s * self.rate_hz);
        let waves: Vec<(f64, usize)> = std::iter::once((0.0, 0)).chain(self.waves()).collect();
        let columns = self.columns();
        let mut gram = [0; 3].map(|_| Symmetric::zeros(columns));
        for (i, &(a, column_a)) in waves.iter().enumerate() {
            for &(b, column_b) in &waves[..=i] {
                let difference = Sums::new(a - b, self.frames);
                let sum = Sums::new(a + b, self.frames);
                let even = [
                    (difference.cos, sum.cos, 1.0),
                    (difference.square_cos, sum.square_cos, scale * scale),
                ];
                for (power, (difference, sum, scale)) in [0, 2].into_iter().zip(even) {
                    gram[power].add(column_a, column_b, 0.5 * scale * (difference + sum));
                    if column_b > 0 {
                        gram[power].add(
                            column_a + 1,
                            column_b + 1,
                            0.5 * scale * (difference - sum),
                        );
                    }
                }
                // t cos(a t) sin(b t) = t (sin((a + b) t) − sin((a − b) t))/2.
                if column_b > 0 {
                    let value = 0.5 * scale * (sum.time_sin - difference.time_sin);
                    gram[1].add(column_a, column_b + 1, value);
                }
                if column_a > 0 && column_a != column_b {
                    let value = 0.5 * scale * (sum.time_sin + difference.time_sin);
                    gram[1].add(column_a + 1, column_b, value);
                }
            }
        }
        gram
    }

    /// Moves the free frequencies; returns the largest step in units of the
    /// frequency's own uncertainty.
    fn step(&mut self, newton: &Newton) -> Result<f64, FitError> {
        let free: Vec<usize> = (0..self.free.len()).filter(|&j| self.free[j]).collect();
        let mut largest = 0.0_f64;
        for (i, &j) in free.iter().enumerate() {
            let step = newton.step[i];
            if !step.is_finite() {
                return Err(FitError::Diverged);
            }
            // A step beyond a quarter turn leaves the main lobe.
            self.angles[j] += step.clamp(-0.8, 0.8);
            // More than two cycles away is another tone.
            if (self.angles[j] - self.first_angles[j]).abs() > TAU || self.angles[j] <= 0.0 {
                return Err(FitError::Diverged);
            }
            // At vanishing noise the rounding of the angle itself is the limit:
            // a step below it counts as none.
            let rounding = 1e-13 * self.angles[j].abs().max(1.0);
            let uncertainty = newton.covariance.get(i, i).sqrt();
            largest = largest.max(step.abs() / uncertainty.max(rounding / CONVERGED));
        }
        Ok(largest)
    }
}

/// Sums over n = −(N−1)/2 … (N−1)/2 of cos(θ n), n sin(θ n) and n² cos(θ n):
/// sin(N u)/sin(u) with u = θ/2 (the Dirichlet kernel), and its first two
/// derivatives with the sign turned.
#[derive(Default)]
pub(super) struct Sums {
    pub cos: f64,
    pub time_sin: f64,
    pub square_cos: f64,
}

impl Sums {
    pub fn new(theta: f64, frames: usize) -> Self {
        let n = frames as f64;
        let u = 0.5 * theta;
        let (sine, cosine) = maths::sin_cos(u);
        if (n * u).abs() < 0.1 || sine.abs() < 1e-6 {
            // The closed form would subtract large from large here; rare but
            // for θ = 0, where every term is known.
            if theta == 0.0 {
                return Self {
                    cos: n,
                    time_sin: 0.0,
                    square_cos: n * (n * n - 1.0) / 12.0,
                };
            }
            let mut sums = Self {
                cos: 0.0,
                time_sin: 0.0,
                square_cos: 0.0,
            };
            for i in 0..frames {
                let t = i as f64 - 0.5 * (n - 1.0);
                let (sine, cosine) = maths::sin_cos(theta * t);
                sums.cos += cosine;
                sums.time_sin += t * sine;
                sums.square_cos += t * t * cosine;
            }
            return sums;
        }
        let (whole_sine, whole_cosine) = maths::sin_cos(n * u);
        let kernel = whole_sine / sine;
        let slope = n * whole_cosine / sine;
        let first = slope - kernel * cosine / sine;
        let second = -n * n * kernel - cosine / sine * (slope + first) + kernel / (sine * sine);
        Self {
            cos: kernel,
            time_sin: -0.5 * first,
            square_cos: -0.25 * second,
        }
    }
}

/// Sums over the window: everything the equations need. The samples are read
/// once; what does not hang on them has a closed form.
pub(super) struct Moments {
    /// Σ b_i b_j, Σ s b_i b_j, Σ s² b_i b_j with s the scaled time.
    gram: [Symmetric; 3],
    /// `projections[k][c][i]` = Σ s^k b_i x_c for k = 0, 1.
    pub(super) projections: [Vec<Vec<f64>>; 2],
    /// Σ x_c².
    pub(super) squares: Vec<f64>,
    /// What x_c is counted from in these sums.
    pub(super) origins: Vec<f64>,
}

impl Moments {
    fn new(basis: &ToneBasis, channels: usize) -> Self {
        let zero = vec![vec![0.0; basis.columns()]; channels];
        Self {
            gram: basis.gram(),
            projections: [zero.clone(), zero],
            squares: vec![0.0; channels],
            origins: vec![0.0; channels],
        }
    }

    /// Sums up the channels that `which` names, at the basis's frequencies.
    fn gather(
        &mut self,
        basis: &ToneBasis,
        samples: &impl Projected,
        which: impl Fn(usize) -> bool,
    ) -> Result<(), FitError> {
        let chosen: Vec<usize> = (0..samples.channels()).filter(|&c| which(c)).collect();
        if chosen.is_empty() {
            return Ok(());
        }
        samples.project(basis, &chosen, self);
        if chosen.iter().all(|&c| self.squares[c].is_finite()) {
            Ok(())
        } else {
            Err(FitError::NotFinite)
        }
    }
}

impl Projected for ArrayView2<'_, f64> {
    fn frames(&self) -> usize {
        self.ncols()
    }

    fn channels(&self) -> usize {
        self.nrows()
    }

    fn project(&self, basis: &ToneBasis, channels: &[usize], into: &mut Moments) {
        for &channel in channels {
            into.squares[channel] = 0.0;
            for projections in &mut into.projections {
                projections[channel].fill(0.0);
            }
        }
        let signals: Vec<Cow<[f64]>> = self.rows().into_iter().map(contiguous).collect();
        let mut rows = vec![[0.0; CHUNK]; basis.columns()];
        let mut times = [0.0; CHUNK];
        let mut moved = [0.0; CHUNK];
        let mut data = [0.0; CHUNK];
        maths::wide!({
            for start in (0..basis.frames).step_by(CHUNK) {
                let count = CHUNK.min(basis.frames - start);
                basis.fill(start, &mut rows, &mut times);
                for &channel in channels {
                    data[..count].copy_from_slice(&signals[channel][start..start + count]);
                    data[count..].fill(0.0);
                    for (m, (d, t)) in moved.iter_mut().zip(data.iter().zip(&times)) {
                        *m = d * t;
                    }
                    let [square, _] = dots(&data, &data, &moved);
                    into.squares[channel] += square;
                    for (i, row) in rows.iter().enumerate() {
                        let [plain, by_time] = dots(row, &data, &moved);
                        into.projections[0][channel][i] += plain;
                        into.projections[1][channel][i] += by_time;
                    }
                }
            }
        });
    }
}

/// a·b and a·c, in lanes that the compiler may put into wide registers. The
/// order of summation is part of the result: it is the same on every machine.
#[inline(always)]
fn dots(a: &[f64; CHUNK], b: &[f64; CHUNK], c: &[f64; CHUNK]) -> [f64; 2] {
    let (mut with_b, mut with_c) = ([0.0; LANES], [0.0; LANES]);
    let quads = b
        .as_chunks::<LANES>()
        .0
        .iter()
        .zip(c.as_chunks::<LANES>().0);
    for (a, (b, c)) in a.as_chunks::<LANES>().0.iter().zip(quads) {
        for i in 0..LANES {
            with_b[i] += a[i] * b[i];
            with_c[i] += a[i] * c[i];
        }
    }
    let sum = |lanes: [f64; LANES]| (lanes[0] + lanes[1]) + (lanes[2] + lanes[3]);
    [sum(with_b), sum(with_c)]
}

/// The linear parameters at the present frequencies.
struct Linear {
    gram: Cholesky,
    /// `parameters[c][i]`.
    parameters: Vec<Vec<f64>>,
    residual_sums: Vec<f64>,
    /// Noise variance of each channel.
    variances: Vec<f64>,
}

/// One Gauss–Newton step and the covariance of the frequencies' angles.
struct Newton {
    step: Vec<f64>,
    covariance: Symmetric,
}

impl Linear {
    fn solve(basis: &ToneBasis, moments: &Moments, free: usize) -> Result<Self, FitError> {
        let gram = Cholesky::factor(&moments.gram[0]).ok_or(FitError::Singular)?;
        let channels = moments.squares.len();
        let mut this = Self {
            gram,
            parameters: Vec::with_capacity(channels),
            residual_sums: Vec::with_capacity(channels),
            variances: Vec::with_capacity(channels),
        };
        let freedom = (basis.frames - basis.columns()) as f64 - free as f64 / channels as f64;
        for (projection, square) in moments.projections[0].iter().zip(&moments.squares) {
            let parameters = this.gram.solve(projection);
            let explained: f64 = parameters.iter().zip(projection).map(|(p, q)| p * q).sum();
            let residual_sum = (square - explained).max(0.0);
            // Rounding leaves about 1e-16 of the signal's own power.
            let floor = 1e-16 * square + f64::MIN_POSITIVE;
            this.parameters.push(parameters);
            this.residual_sums.push(residual_sum);
            this.variances
                .push(residual_sum.max(floor) / freedom.max(1.0));
        }
        Ok(this)
    }

    /// Coefficients of d(model)/d(angle of tone j) over the basis times the
    /// scaled time.
    fn derivative(&self, basis: &ToneBasis, channel: usize, tone: usize, first: usize) -> Vec<f64> {
        let mut coefficients = vec![0.0; basis.columns()];
        for order in 1..=basis.orders[tone] {
            let column = first + 2 * (order - 1);
            let (a, b) = (
                self.parameters[channel][column],
                self.parameters[channel][column + 1],
            );
            coefficients[column] = order as f64 * b;
            coefficients[column + 1] = -(order as f64) * a;
        }
        coefficients
    }

    /// For each channel: the derivatives of the free tones, and their
    /// projections onto the basis (G⁻¹ Bᵀ D).
    fn slopes(&self, basis: &ToneBasis, moments: &Moments, channel: usize) -> Vec<[Vec<f64>; 3]> {
        let firsts = basis.first_columns();
        (0..basis.free.len())
            .filter(|&tone| basis.free[tone])
            .map(|tone| {
                let slope = self.derivative(basis, channel, tone, firsts[tone]);
                let along = moments.gram[1].times(&slope);
                let projected = self.gram.solve(&along);
                [slope, along, projected]
            })
            .collect()
    }

    fn newton(
        &self,
        basis: &ToneBasis,
        moments: &Moments,
        frequency_channels: &[bool],
    ) -> Result<Newton, FitError> {
        let free = basis.free.iter().filter(|free| **free).count();
        let mut matrix = Symmetric::zeros(free);
        let mut gradient = vec![0.0; free];
        for channel in 0..self.parameters.len() {
            if !frequency_channels.get(channel).copied().unwrap_or(true) {
                continue;
            }
            let weight = 1.0 / self.variances[channel];
            // A channel of zeros alone tells no frequency; the others still do.
            if !weight.is_finite() {
                continue;
            }
            let slopes = self.slopes(basis, moments, channel);
            let fitted = moments.gram[1].times(&self.parameters[channel]);
            for (i, [slope_i, along_i, _]) in slopes.iter().enumerate() {
                let curved = moments.gram[2].times(slope_i);
                for (j, [slope_j, _, projected_j]) in slopes.iter().enumerate().take(i + 1) {
                    let full: f64 = curved.iter().zip(slope_j).map(|(a, b)| a * b).sum();
                    let taken: f64 = along_i.iter().zip(projected_j).map(|(a, b)| a * b).sum();
                    matrix.add(i, j, weight * (full - taken));
                }
                let pull: f64 = slope_i
                    .iter()
                    .zip(moments.projections[1][channel].iter().zip(&fitted))
                    .map(|(slope, (x, model))| slope * (x - model))
                    .sum();
                gradient[i] += weight * pull;
            }
        }
        let factor = Cholesky::factor(&matrix).ok_or(FitError::Singular)?;
        Ok(Newton {
            step: factor.solve(&gradient),
            covariance: factor.inverse(),
        })
    }

    fn report(&self, basis: &ToneBasis, moments: &Moments, frequency_channels: &[bool]) -> ToneFit {
        // At a converged fit the matrix has been factored once already.
        let covariance = self
            .newton(basis, moments, frequency_channels)
            .map_or_else(|_| Symmetric::zeros(0), |newton| newton.covariance);
        let to_hz = 1.0 / (TAU * basis.half_s);
        let mut free = 0;
        let frequencies = basis
            .angles
            .iter()
            .zip(&basis.free)
            .map(|(angle, is_free)| {
                let variance = if *is_free && covariance.size() > free {
                    free += 1;
                    covariance.get(free - 1, free - 1)
                } else {
                    0.0
                };
                FrequencyEstimate {
                    frequency_hz: angle * to_hz,
                    frequency_u_hz: variance.sqrt() * to_hz,
                }
            })
            .collect();
        let inverse = self.gram.inverse();
        let channels = (0..self.parameters.len())
            .map(|channel| self.report_channel(basis, moments, channel, &inverse, &covariance))
            .collect();
        ToneFit {
            frequencies,
            channels,
        }
    }

    fn report_channel(
        &self,
        basis: &ToneBasis,
        moments: &Moments,
        channel: usize,
        inverse: &Symmetric,
        frequency_covariance: &Symmetric,
    ) -> ChannelFit {
        let variance = self.variances[channel];
        let slopes = self.slopes(basis, moments, channel);
        let covariance = |i: usize, j: usize| {
            let mut sum = variance * inverse.get(i, j);
            for (k, [_, _, projected_k]) in slopes.iter().enumerate() {
                for (l, [_, _, projected_l]) in slopes.iter().enumerate() {
                    if k < frequency_covariance.size() && l < frequency_covariance.size() {
                        sum += projected_k[i] * frequency_covariance.get(k, l) * projected_l[j];
                    }
                }
            }
            sum
        };
        let parameters = &self.parameters[channel];
        let phasor = |column: usize| {
            // a cos + b sin = Re[(a − i b) exp(i…)]
            PhasorEstimate {
                value: Complex64::new(parameters[column], -parameters[column + 1]),
                var_re: covariance(column, column),
                var_im: covariance(column + 1, column + 1),
                cov: -covariance(column, column + 1),
            }
        };
        // A frequency that errs turns the fitted phasors with it.
        let to_hz = 1.0 / (TAU * basis.half_s);
        let with_frequency = |column: usize, free: usize| -> f64 {
            let sum: f64 = slopes
                .iter()
                .take(frequency_covariance.size())
                .enumerate()
                .map(|(k, [_, _, projected])| projected[column] * frequency_covariance.get(k, free))
                .sum();
            -sum * to_hz
        };
        let mut phasors = Vec::with_capacity(basis.orders.len());
        let mut frequency_covs = Vec::with_capacity(basis.orders.len());
        let mut free = 0;
        for (tone, first) in basis.first_columns().into_iter().enumerate() {
            let columns = || (0..basis.orders[tone]).map(|order| first + 2 * order);
            phasors.push(columns().map(phasor).collect());
            let is_free = basis.free[tone] && free < frequency_covariance.size();
            frequency_covs.push(
                columns()
                    .map(|column| {
                        if is_free {
                            Complex64::new(
                                with_frequency(column, free),
                                -with_frequency(column + 1, free),
                            )
                        } else {
                            Complex64::ZERO
                        }
                    })
                    .collect(),
            );
            free += usize::from(is_free);
        }
        ChannelFit {
            phasors,
            frequency_covs,
            offset: moments.origins[channel] + parameters[0],
            offset_u: covariance(0, 0).sqrt(),
            residual_sum: self.residual_sums[channel],
            noise_rms: variance.sqrt(),
        }
    }
}

/// What the fit leaves over: channels × samples, `samples` minus the model.
pub fn residual(
    samples: ArrayView2<f64>,
    rate_hz: f64,
    tones: &[ToneGuess],
    fit: &ToneFit,
) -> Array2<f64> {
    let basis = ToneBasis::new(samples.ncols(), rate_hz, &fit.found(tones));
    let mut rest = Vec::with_capacity(samples.len());
    for row in samples.rows() {
        rest.extend_from_slice(&contiguous(row));
    }
    let mut rest = Array2::from_shape_vec(samples.dim(), rest).unwrap_or_default();
    let parameters: Vec<Vec<f64>> = fit.channels.iter().map(ChannelFit::parameters).collect();
    take_off(&mut rest, &basis, &parameters);
    rest
}

/// Takes the model off each channel, `parameters[c]` over the basis. `rest` stands row by row.
fn take_off(rest: &mut ArrayRef2<f64>, basis: &ToneBasis, parameters: &[Vec<f64>]) {
    let rows = rest.rows_mut().into_iter().zip(parameters);
    let rows = rows.filter_map(|(row, parameters)| Some((row.into_slice()?, &parameters[..])));
    Model::of(basis).take_off(0, rows.collect());
}

/// A model of sines over a stretch, to be taken off its samples part by part.
pub(super) struct Model {
    frames: usize,
    /// The angle a sample of each cosine and sine.
    angles: Vec<f64>,
    /// Their turns by one sample, and by as many as are worked on side by side.
    steps: Vec<[Complex64; 2]>,
}

impl Model {
    fn of(basis: &ToneBasis) -> Self {
        let angles: Vec<f64> = basis.waves().map(|(angle, _)| angle).collect();
        let steps = angles.iter().map(|angle| {
            let step = maths::cis(*angle);
            let four = (step * step) * (step * step);
            [step, four * four]
        });
        Self {
            frames: basis.frames,
            steps: steps.collect(),
            angles,
        }
    }

    /// Of so many samples at `rate_hz`.
    pub fn new(frames: usize, rate_hz: f64, tones: &[ToneGuess]) -> Self {
        Self::of(&ToneBasis::new(frames, rate_hz, tones))
    }

    /// Takes the model off rows that begin at sample `first`, each with its parameters: offset,
    /// then cosine and sine of each order of each tone.
    pub fn take_off(&self, first: usize, rows: Vec<(&mut [f64], &[f64])>) {
        pulp::Arch::new().dispatch(TakeOff {
            model: self,
            first,
            rows,
        });
    }
}

/// Cosines and sines of the samples in hand, each in one line of the cache.
#[derive(Clone, Copy, Default)]
#[repr(align(64))]
struct Turns([[f64; TURNS]; 2]);

/// Rows less a model, by the registers that the processor has.
struct TakeOff<'a> {
    model: &'a Model,
    first: usize,
    rows: Vec<(&'a mut [f64], &'a [f64])>,
}

impl pulp::WithSimd for TakeOff<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(mut self, simd: S) {
        let Model {
            frames,
            angles,
            steps,
        } = self.model;
        let centre = 0.5 * (frames.max(&1) - 1) as f64;
        let length = self.rows.iter().map(|(row, _)| row.len()).min();
        let length = length.unwrap_or_default();
        let mut turns = vec![Turns::default(); angles.len()];
        let mut last = [0.0; TURNS];
        for start in (0..length).step_by(TURNED_ON) {
            for ((Turns([re, im]), angle), [step, _]) in turns.iter_mut().zip(angles).zip(steps) {
                let mut turn = maths::cis(angle * ((self.first + start) as f64 - centre));
                for lane in 0..TURNS {
                    (re[lane], im[lane]) = (turn.re, turn.im);
                    turn *= step;
                }
            }
            let end = length.min(start + TURNED_ON);
            for from in (start..end).step_by(TURNS) {
                let count = TURNS.min(end - from);
                for (row, parameters) in &mut self.rows {
                    let values = &mut row[from..from + count];
                    if count == TURNS {
                        less_model(simd, values, parameters, &turns);
                    } else {
                        last[..count].copy_from_slice(values);
                        less_model(simd, &mut last, parameters, &turns);
                        values.copy_from_slice(&last[..count]);
                    }
                }
                for (Turns([re, im]), [_, stride]) in turns.iter_mut().zip(steps) {
                    let (re, _) = S::as_mut_simd_f64s(re);
                    let (im, _) = S::as_mut_simd_f64s(im);
                    let (c, s) = (simd.splat_f64s(stride.re), simd.splat_f64s(stride.im));
                    for (re, im) in re.iter_mut().zip(im) {
                        let (x, y) = (*re, *im);
                        *re = simd.sub_f64s(simd.mul_f64s(x, c), simd.mul_f64s(y, s));
                        *im = simd.add_f64s(simd.mul_f64s(x, s), simd.mul_f64s(y, c));
                    }
                }
            }
        }
    }
}

/// Values less offset and cosines, and sines: two sums, so that neither waits for the other.
#[inline(always)]
fn less_model<S: Simd>(simd: S, values: &mut [f64], parameters: &[f64], turns: &[Turns]) {
    let [offset, pairs @ ..] = parameters else {
        return;
    };
    let (values, _) = S::as_mut_simd_f64s(values);
    for (part, value) in values.iter_mut().enumerate() {
        let (mut even, mut odd) = (simd.splat_f64s(*offset), simd.splat_f64s(0.0));
        for ([a, b], Turns([cosines, sines])) in pairs.as_chunks::<2>().0.iter().zip(turns) {
            let cosine = S::as_simd_f64s(cosines).0[part];
            let sine = S::as_simd_f64s(sines).0[part];
            even = simd.add_f64s(even, simd.mul_f64s(simd.splat_f64s(*a), cosine));
            odd = simd.add_f64s(odd, simd.mul_f64s(simd.splat_f64s(*b), sine));
        }
        *value = simd.sub_f64s(*value, simd.add_f64s(even, odd));
    }
}

/// A row's samples one behind the other: as they lie, or copied where they lie
/// apart.
pub fn contiguous(row: ArrayView1<'_, f64>) -> Cow<'_, [f64]> {
    row.to_slice()
        .map_or_else(|| Cow::Owned(row.to_vec()), Cow::Borrowed)
}
