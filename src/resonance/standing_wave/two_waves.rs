//! Two waves through sensors at known places, by weighted least squares.
//!
//! Wave number and places are known to a part only, and with them the phase of the
//! waves from sensor to sensor; of the conductor's loss little more is known than its
//! order. So k and α are unknowns beside the two complex waves, with what is known of
//! them as observations of their own (JCGM 101, 6.4.7): two sensors leave them as they
//! are, more of them correct k, and sensors far apart α.
//!
//! What a sensor errs by is no circle in the complex plane: gain and phase turn with
//! its own reading, a wrong place goes along the slope of the wave, noise goes anywhere.
//! Each sensor's rows are weighted by that covariance. A gain is off by half a per
//! cent and the node is read to a tenth of that only because it stands in quadrature,
//! where gains and places do not reach: weights without a direction would throw that away.

use std::f64::consts::{PI, TAU};

use num_complex::Complex64;

use crate::maths;
use crate::tone::dense::{Cholesky, Symmetric};

/// One sensor at its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FixedSensor {
    /// From the drive-end clamp, m.
    pub place_m: f64,
    /// Velocity, m/s peak.
    pub velocity_m_s: Complex64,
    /// Standard uncertainty of its place, m.
    pub place_standard_u_m: f64,
    /// Of its gain against the other sensors, relative.
    pub gain_standard_u: f64,
    /// Of its phase against them, rad.
    pub phase_standard_u_rad: f64,
    /// Of its real and of its imaginary part by noise, m/s.
    pub noise_standard_u_m_s: f64,
}

/// Wave number and fading of the waves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WaveNumber {
    /// k as stated, rad/m.
    pub per_m: f64,
    /// Its relative standard uncertainty.
    pub relative_standard_u: f64,
    /// α as stated, 1/m.
    pub fading_per_m: f64,
    /// Its standard uncertainty, 1/m.
    pub fading_standard_u_per_m: f64,
}

/// Why there is no reading.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum WaveFitError {
    /// Fewer than two.
    #[error("{0} fixed sensors cannot tell two waves apart; two at least are needed")]
    TooFew(usize),
    /// All of them show the same.
    #[error(
        "the fixed sensors stand near a multiple of half a wavelength apart ({loop_m:.3} m at this \
         frequency), where all of them see the same part of the motion: condition {condition:.1}, at \
         most {MOST_CONDITION} is of use"
    )]
    Blind {
        /// Condition of the places.
        condition: f64,
        /// Half a wavelength, m.
        loop_m: f64,
    },
    /// Two wave numbers do alike.
    #[error(
        "two wave numbers, {one_per_m:.4} and {other_per_m:.4} rad/m, explain the fixed sensors alike: \
         tension and mass have to be known better, or the sensors to stand closer together"
    )]
    Ambiguous {
        /// The better one, rad/m.
        one_per_m: f64,
        /// The other, rad/m.
        other_per_m: f64,
    },
    /// No numbers.
    #[error("the fixed sensors show nothing that two waves could be fitted to")]
    Nothing,
}

/// Largest condition of the places at which the reading is of use: that of two
/// sensors a tenth of half a wavelength apart, the closest that is recommended for two
/// microphones (Bodén and Åbom 1986: 0.1 π < k s < 0.8 π; from memory).
pub const MOST_CONDITION: f64 = 6.3;

/// Another wave number has to be worse by this much of twice the log-likelihood:
/// three standard deviations.
const WORSE_BY: f64 = 9.0;
/// Standard uncertainties of k within which it is sought.
const REACH: f64 = 3.0;
/// Largest phase from the middle to the outmost sensor that a step of the search
/// passes over, rad.
const SEARCH_STEP_RAD: f64 = 0.3;
/// Steps on each side, at most.
const MOST_STEPS: f64 = 60.0;
/// Steps of the descent, at most.
const MOST_ITERATIONS: usize = 30;
/// No sensor is known better than to this part of the largest reading: the last
/// digits of a converter and of the model.
const FLOOR: f64 = 2e-5;

/// Two waves as they were found.
#[derive(Debug, Clone, PartialEq)]
pub struct TwoWaves {
    /// Where phases count as zero, m from the drive-end clamp.
    middle_m: f64,
    /// k, rad/m.
    wave_number_per_m: f64,
    fading_per_m: f64,
    /// a and b at the middle, m/s peak.
    towards_damper: Complex64,
    towards_drive: Complex64,
    /// Sum of squares of what is left, each in standard uncertainties, with those of k
    /// and α.
    pub chi_square: f64,
    /// What is left at each sensor, m/s.
    pub left_m_s: Vec<Complex64>,
    /// The same, squared and weighted.
    pub left_squares: Vec<f64>,
    /// Condition of the places ([`condition`]).
    pub condition: f64,
}

/// What is read at a node and the antinode before it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct NodeReading {
    /// Place of the node, m from the drive-end clamp.
    pub node_m: f64,
    /// Place of the antinode towards the drive, a quarter wave before it, m.
    pub antinode_m: f64,
    /// Velocity at the antinode, m/s peak.
    pub antinode_m_s: Complex64,
    /// Velocity at the node, m/s peak.
    pub node_m_s: Complex64,
    /// (|a| − |b|)/(|a| + |b|) at the node; above 0 power flows towards the damper.
    pub iswr: f64,
}

/// How far places can tell the two waves apart: the ratio of the singular values of
/// the rows [e^(−jkx), e^(jkx)]. 1 is best; two sensors have sqrt((1 + c)/(1 − c)),
/// c = |cos kΔ|. Infinite where all stand multiples of half a wavelength apart.
pub fn condition(places_m: impl IntoIterator<Item = f64>, wave_number_per_m: f64) -> f64 {
    let mut count = 0.0;
    let mut sum = Complex64::new(0.0, 0.0);
    for place_m in places_m {
        count += 1.0;
        sum += maths::cis(2.0 * wave_number_per_m * place_m);
    }
    let together = maths::modulus(sum / count);
    if together >= 1.0 {
        return f64::INFINITY;
    }
    ((1.0 + together) / (1.0 - together)).sqrt()
}

/// The unknowns: real and imaginary part of a and b, k over its stated value less 1, and
/// α less its stated value, 1/m.
type Unknowns = [f64; UNKNOWNS];
const UNKNOWNS: usize = 6;

/// Rows of one sensor: what is left and its derivatives, whitened.
type Rows = [[f64; UNKNOWNS + 1]; 2];

struct Problem<'a> {
    sensors: &'a [FixedSensor],
    number: WaveNumber,
    middle_m: f64,
    scale_m_s: f64,
}

struct Solved {
    at: Unknowns,
    cost: f64,
}

impl TwoWaves {
    /// Fits two waves to what the sensors show.
    ///
    /// # Errors
    /// Where they cannot tell.
    pub fn fit(sensors: &[FixedSensor], number: WaveNumber) -> Result<Self, WaveFitError> {
        if sensors.len() < 2 {
            return Err(WaveFitError::TooFew(sensors.len()));
        }
        let condition = condition(sensors.iter().map(|sensor| sensor.place_m), number.per_m);
        if condition > MOST_CONDITION {
            return Err(WaveFitError::Blind {
                condition,
                loop_m: PI / number.per_m,
            });
        }
        let problem = Problem::new(sensors, number);
        if problem.scale_m_s <= 0.0 || !problem.scale_m_s.is_finite() {
            return Err(WaveFitError::Nothing);
        }
        let solved = problem.search()?;
        let mut waves = problem.conclude(&solved.at, condition);
        problem.leave(&solved, &mut waves);
        Ok(waves)
    }

    /// Waves of a given wave number that have the velocities `towards_damper` and
    /// `towards_drive`, m/s peak, at a place.
    pub fn through(
        place_m: f64,
        [towards_damper, towards_drive]: [Complex64; 2],
        number: WaveNumber,
    ) -> Self {
        Self {
            middle_m: place_m,
            wave_number_per_m: number.per_m,
            fading_per_m: number.fading_per_m,
            towards_damper,
            towards_drive,
            chi_square: 0.0,
            left_m_s: Vec::new(),
            left_squares: Vec::new(),
            condition: f64::NAN,
        }
    }

    /// Standard uncertainty, by what the sensors may err by, of something that is read off
    /// these waves; `sensors` show them, `number` is k and α as stated. `None` where the
    /// sensors leave the waves open.
    pub fn standard_u(
        &self,
        sensors: &[FixedSensor],
        number: WaveNumber,
        read: impl Fn(&Self) -> f64,
    ) -> Option<f64> {
        let problem = Problem::new(sensors, number);
        let (a, b) = self.waves_at(problem.middle_m);
        let off = self.wave_number_per_m / number.per_m - 1.0;
        let fading_off = self.fading_per_m - number.fading_per_m;
        let at = [a.re, a.im, b.re, b.im, off, fading_off];
        let mut normal = Symmetric::zeros(UNKNOWNS);
        let mut right = vec![0.0; UNKNOWNS];
        for sensor in sensors {
            for [left, columns @ ..] in problem.rows(sensor, &at, &at) {
                add_row(&mut normal, &mut right, left, &columns);
            }
        }
        for (place, u) in (4..).zip(problem.stated_u()) {
            normal.add(place, place, maths::square(u).recip());
        }
        let factor = Cholesky::factor(&normal)?;
        let read = |at: &Unknowns| read(&problem.conclude(at, self.condition));
        let step_m_s = 1e-5 * problem.scale_m_s;
        let steps: Unknowns = [step_m_s, step_m_s, step_m_s, step_m_s, 1e-6, 1e-7];
        let slope: Vec<f64> = steps
            .iter()
            .enumerate()
            .map(|(place, step)| {
                let moved = |by: f64| {
                    let mut moved = at;
                    if let Some(value) = moved.get_mut(place) {
                        *value += by;
                    }
                    read(&moved)
                };
                (moved(*step) - moved(-step)) / (2.0 * step)
            })
            .collect();
        let solved = factor.solve(&slope);
        let square: f64 = slope.iter().zip(&solved).map(|(a, b)| a * b).sum();
        (square >= 0.0).then(|| square.sqrt())
    }

    /// k as it was found, rad/m.
    pub fn wave_number_per_m(&self) -> f64 {
        self.wave_number_per_m
    }

    /// α as it was found, 1/m.
    pub fn fading_per_m(&self) -> f64 {
        self.fading_per_m
    }

    /// The two waves at a place, m/s peak: towards the damper, towards the drive.
    pub fn waves_at(&self, place_m: f64) -> (Complex64, Complex64) {
        let beyond_m = place_m - self.middle_m;
        let turn = maths::cis(self.wave_number_per_m * beyond_m);
        let fading = maths::exp(-self.fading_per_m * beyond_m);
        (
            self.towards_damper * turn.conj() * fading,
            self.towards_drive * turn / fading,
        )
    }

    /// Velocity at a place, m/s peak.
    pub fn velocity_m_s(&self, place_m: f64) -> Complex64 {
        let (towards_damper, towards_drive) = self.waves_at(place_m);
        towards_damper + towards_drive
    }

    /// The node that is furthest along the span but not beyond a place.
    pub fn node_before(&self, place_m: f64) -> NodeReading {
        // The phase by which b leads a grows by 2 k x.
        let (towards_damper, towards_drive) = self.waves_at(place_m);
        let lead = maths::argument(towards_drive * towards_damper.conj());
        let back = (lead - PI).rem_euclid(TAU);
        self.reading_at_node(place_m - back / (2.0 * self.wave_number_per_m))
    }

    /// The node nearest to a place.
    pub fn node_nearest(&self, place_m: f64) -> NodeReading {
        self.node_before(place_m + 0.5 * PI / self.wave_number_per_m)
    }

    fn reading_at_node(&self, node_m: f64) -> NodeReading {
        let antinode_m = node_m - 0.5 * PI / self.wave_number_per_m;
        let (towards_damper, towards_drive) = self.waves_at(node_m);
        let (a, b) = (
            maths::modulus(towards_damper),
            maths::modulus(towards_drive),
        );
        NodeReading {
            node_m,
            antinode_m,
            antinode_m_s: self.velocity_m_s(antinode_m),
            node_m_s: towards_damper + towards_drive,
            iswr: (a - b) / (a + b),
        }
    }

    /// Root mean square of what is left at the sensors over the antinode's motion.
    pub fn residual_ratio(&self) -> f64 {
        let antinode_m_s = maths::modulus(self.towards_damper) + maths::modulus(self.towards_drive);
        let squares: f64 = self.left_m_s.iter().map(Complex64::norm_sqr).sum();
        (squares / self.left_m_s.len() as f64).sqrt() / antinode_m_s
    }

    /// How many of the sensors' numbers the unknowns leave.
    pub fn degrees_of_freedom(&self) -> usize {
        (2 * self.left_m_s.len()).saturating_sub(4)
    }
}

impl<'a> Problem<'a> {
    fn new(sensors: &'a [FixedSensor], number: WaveNumber) -> Self {
        let count = sensors.len() as f64;
        let middle_m = sensors.iter().map(|sensor| sensor.place_m).sum::<f64>() / count;
        let largest = |sensor: &FixedSensor| maths::modulus(sensor.velocity_m_s);
        Self {
            sensors,
            number,
            middle_m,
            scale_m_s: sensors.iter().map(largest).fold(0.0, f64::max),
        }
    }

    /// e^(−jκξ) and e^(jκξ) at a sensor.
    fn turns(&self, sensor: &FixedSensor, at: &Unknowns) -> (Complex64, Complex64) {
        let [.., off, fading_off] = *at;
        let beyond_m = sensor.place_m - self.middle_m;
        let turn = maths::cis(self.number.per_m * (1.0 + off) * beyond_m);
        let fading = maths::exp(-(self.number.fading_per_m + fading_off) * beyond_m);
        (turn.conj() * fading, turn / fading)
    }

    /// Rows of a sensor about `at`, whitened by the covariance that its errors have
    /// where the waves are `about`.
    fn rows(&self, sensor: &FixedSensor, at: &Unknowns, about: &Unknowns) -> Rows {
        let j = Complex64::new(0.0, 1.0);
        let [a, b] = waves(at);
        let (fore, back) = self.turns(sensor, at);
        let beyond_m = sensor.place_m - self.middle_m;
        let left = sensor.velocity_m_s - a * fore - b * back;
        let columns = [
            fore,
            j * fore,
            back,
            j * back,
            j * self.number.per_m * beyond_m * (b * back - a * fore),
            beyond_m * (b * back - a * fore),
        ];
        let [l11, l21, l22] = self.spread(sensor, about);
        let whiten = |z: Complex64| {
            let first = z.re / l11;
            [first, (z.im - l21 * first) / l22]
        };
        let mut rows = [[0.0; UNKNOWNS + 1]; 2];
        for (place, value) in std::iter::once(left).chain(columns).enumerate() {
            let [re, im] = whiten(value);
            for (row, part) in rows.iter_mut().zip([re, im]) {
                if let Some(entry) = row.get_mut(place) {
                    *entry = part;
                }
            }
        }
        rows
    }

    /// Cholesky factor of the covariance of a sensor's real and imaginary part, by what
    /// it may err by where the waves are `about`.
    fn spread(&self, sensor: &FixedSensor, about: &Unknowns) -> [f64; 3] {
        let j = Complex64::new(0.0, 1.0);
        let [a, b] = waves(about);
        let (fore, back) = self.turns(sensor, about);
        let reading = a * fore + b * back;
        let slope = j * self.number.per_m * (1.0 + about[4]) * (b * back - a * fore);
        let floor = FLOOR * self.scale_m_s;
        let round = maths::square(sensor.noise_standard_u_m_s) + maths::square(floor);
        let mut covariance = [round, 0.0, round];
        for error in [
            reading * sensor.gain_standard_u,
            j * reading * sensor.phase_standard_u_rad,
            slope * sensor.place_standard_u_m,
        ] {
            covariance[0] += error.re * error.re;
            covariance[1] += error.re * error.im;
            covariance[2] += error.im * error.im;
        }
        let [rr, ri, ii] = covariance;
        let l11 = rr.sqrt();
        let l21 = ri / l11;
        // `round` keeps the rest above 0 but for what rounding takes.
        let l22 = (ii - l21 * l21).max(1e-3 * round).sqrt();
        [l11, l21, l22]
    }

    fn cost(&self, at: &Unknowns, about: &Unknowns) -> f64 {
        let of_sensors: f64 = self
            .sensors
            .iter()
            .flat_map(|sensor| self.rows(sensor, at, about))
            .map(|[left, ..]| maths::square(left))
            .sum();
        let stated = at.iter().skip(4).zip(self.stated_u());
        of_sensors + stated.map(|(off, u)| maths::square(off / u)).sum::<f64>()
    }

    /// Standard uncertainties of k, relative, and of α, 1/m, as stated.
    fn stated_u(&self) -> [f64; 2] {
        [
            self.number.relative_standard_u.max(1e-9),
            self.number.fading_standard_u_per_m.max(1e-12),
        ]
    }

    /// The waves for a given k, by least squares with the weights of `about`; without
    /// `about`, with equal ones.
    fn waves_for(&self, off: f64, about: Option<&Unknowns>) -> Option<Unknowns> {
        let mut at = [0.0, 0.0, 0.0, 0.0, off, 0.0];
        let mut normal = Symmetric::zeros(4);
        let mut right = vec![0.0; 4];
        for sensor in self.sensors {
            let rows = match about {
                Some(about) => self.rows(sensor, &at, about),
                None => self.equal_rows(sensor, &at),
            };
            for [left, columns @ ..] in rows {
                add_row(&mut normal, &mut right, left, columns.get(..4)?);
            }
        }
        let found = Cholesky::factor(&normal)?.solve(&right);
        for (value, found) in at.iter_mut().zip(found) {
            *value = found;
        }
        Some(at)
    }

    fn equal_rows(&self, sensor: &FixedSensor, at: &Unknowns) -> Rows {
        let (fore, back) = self.turns(sensor, at);
        let y = sensor.velocity_m_s;
        [
            [y.re, fore.re, -fore.im, back.re, -back.im, 0.0, 0.0],
            [y.im, fore.im, fore.re, back.im, back.re, 0.0, 0.0],
        ]
    }

    /// Descends from a wave number; the weights follow the waves.
    fn descend(&self, off: f64) -> Option<Solved> {
        let plain = self.waves_for(off, None)?;
        let mut at = self.waves_for(off, Some(&plain))?;
        for _ in 0..MOST_ITERATIONS {
            let about = at;
            let mut normal = Symmetric::zeros(UNKNOWNS);
            let mut right = vec![0.0; UNKNOWNS];
            for sensor in self.sensors {
                for [left, columns @ ..] in self.rows(sensor, &at, &about) {
                    add_row(&mut normal, &mut right, left, &columns);
                }
            }
            let stated = at.iter().zip(&mut right).enumerate().skip(4);
            for ((place, (off, right)), u) in stated.zip(self.stated_u()) {
                let weight = maths::square(u).recip();
                normal.add(place, place, weight);
                *right -= off * weight;
            }
            let step = Cholesky::factor(&normal)?.solve(&right);
            for (value, step) in at.iter_mut().zip(&step) {
                *value += step;
            }
            let moved = step.iter().take(4).map(|s| s.abs()).fold(0.0, f64::max);
            let turned = step.get(4).map_or(0.0, |s| s.abs());
            if moved < 1e-12 * self.scale_m_s && turned < 1e-13 {
                break;
            }
        }
        at.iter().all(|value| value.is_finite()).then(|| Solved {
            cost: self.cost(&at, &at),
            at,
        })
    }

    /// Tries every wave number within what is stated.
    fn search(&self) -> Result<Solved, WaveFitError> {
        let outmost_rad = self
            .sensors
            .iter()
            .map(|sensor| (sensor.place_m - self.middle_m).abs() * self.number.per_m)
            .fold(0.0, f64::max);
        let reach = REACH * self.number.relative_standard_u;
        let steps = (reach * outmost_rad / SEARCH_STEP_RAD)
            .ceil()
            .clamp(0.0, MOST_STEPS) as i32;
        let mut found: Vec<Solved> = Vec::new();
        for step in -steps..=steps {
            let off = reach * f64::from(step) / f64::from(steps.max(1));
            let Some(solved) = self.descend(off) else {
                continue;
            };
            // The same minimum from another start.
            let apart = SEARCH_STEP_RAD / outmost_rad.max(SEARCH_STEP_RAD);
            match found
                .iter_mut()
                .find(|known| (known.at[4] - solved.at[4]).abs() < apart)
            {
                Some(known) if solved.cost < known.cost => *known = solved,
                Some(_) => {}
                None => found.push(solved),
            }
        }
        found.sort_by(|one, other| one.cost.total_cmp(&other.cost));
        let number = |solved: &Solved| self.number.per_m * (1.0 + solved.at[4]);
        let mut found = found.into_iter();
        let best = found.next().ok_or(WaveFitError::Nothing)?;
        match found.next() {
            Some(other) if other.cost - best.cost < WORSE_BY => Err(WaveFitError::Ambiguous {
                one_per_m: number(&best),
                other_per_m: number(&other),
            }),
            _ => Ok(best),
        }
    }

    /// The waves of some unknowns.
    fn conclude(&self, at: &Unknowns, condition: f64) -> TwoWaves {
        let [towards_damper, towards_drive] = waves(at);
        let [.., off, fading_off] = *at;
        TwoWaves {
            middle_m: self.middle_m,
            wave_number_per_m: self.number.per_m * (1.0 + off),
            fading_per_m: self.number.fading_per_m + fading_off,
            towards_damper,
            towards_drive,
            chi_square: 0.0,
            left_m_s: Vec::new(),
            left_squares: Vec::new(),
            condition,
        }
    }

    /// Enters what is left at the sensors.
    fn leave(&self, solved: &Solved, waves: &mut TwoWaves) {
        for sensor in self.sensors {
            let (fore, back) = self.turns(sensor, &solved.at);
            let shown = waves.towards_damper * fore + waves.towards_drive * back;
            waves.left_m_s.push(sensor.velocity_m_s - shown);
            let rows = self.rows(sensor, &solved.at, &solved.at);
            let square = rows.iter().map(|[left, ..]| left * left).sum();
            waves.left_squares.push(square);
        }
        waves.chi_square = solved.cost;
    }
}

fn waves(at: &Unknowns) -> [Complex64; 2] {
    let [a_re, a_im, b_re, b_im, ..] = *at;
    [Complex64::new(a_re, a_im), Complex64::new(b_re, b_im)]
}

fn add_row(normal: &mut Symmetric, right: &mut [f64], left: f64, columns: &[f64]) {
    for (i, (column, right)) in columns.iter().zip(right.iter_mut()).enumerate() {
        *right += left * column;
        for (other, of_other) in columns.iter().take(i + 1).enumerate() {
            normal.add(i, other, column * of_other);
        }
    }
}
