//! `spanhold rehearse`: a recording of a virtual span, and the truth beside it.

use std::path::PathBuf;

use anyhow::{Context, anyhow};
use clap::{Args as ClapArgs, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};

use super::{Failure, Status, terminal};
use crate::rehearsal::{
    Doubt, DwellTruth, Expectation, Format, Performance, Program, Resonance, SpanModel, Transition,
    VirtualSpan, bench_sensors, write,
};
use crate::setup::{self, Role, Setup};

/// Record a virtual span, with the truth beside the recording
///
/// Builds a virtual conductor span from the setup (with an invented damper
/// where the setup has a damper position), drives it through its resonances,
/// and writes NAME.wav and NAME.truth.jsonl, NAME being the setup file's.
#[derive(Debug, ClapArgs)]
pub struct Args {
    /// The setup file
    setup: PathBuf,
    /// Folder for the recording and the truth; made if missing
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Decides noise and sensor places; the same seed gives the same bytes
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Sampling rate, Hz; default: the source's rate_hz, or 8 × the sweep's high_hz
    #[arg(long, value_name = "HZ")]
    rate: Option<u32>,
    /// How samples are stored
    #[arg(long, value_enum, default_value_t = SampleFormat::I24)]
    format: SampleFormat,
    /// Each channel's tone over its noise in the band up to half the rate, dB
    #[arg(
        long,
        value_name = "DB",
        default_value_t = 60.0,
        allow_negative_numbers = true
    )]
    snr_db: f64,
    /// Loops to dwell at, such as 8,12,20-24; default: all in the sweep
    #[arg(long, visible_alias = "dwells", value_name = "LIST")]
    harmonics: Option<String>,
    /// Length of each dwell, s; default: seven ring-up time constants, and the shortest hold and 7 s more
    #[arg(long, value_name = "S")]
    seconds: Option<f64>,
    /// Start each dwell settled, as if the recording had been paused meanwhile
    #[arg(long)]
    paused: bool,
    /// Doubtful dwells to mix in; without a list, one of each
    #[arg(
        long,
        value_enum,
        value_delimiter = ',',
        num_args = 0..,
        require_equals = true,
        value_name = "LIST"
    )]
    faults: Option<Vec<Doubt>>,
    /// Print the truth as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum SampleFormat {
    I16,
    I24,
    I32,
    F32,
}

impl From<SampleFormat> for Format {
    fn from(format: SampleFormat) -> Self {
        match format {
            SampleFormat::I16 => Self::I16,
            SampleFormat::I24 => Self::I24,
            SampleFormat::I32 => Self::I32,
            SampleFormat::F32 => Self::F32,
        }
    }
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let setup = setup::load(&args.setup).map_err(|faults| anyhow!("{faults}"))?;
    let name = args
        .setup
        .file_stem()
        .and_then(|stem| stem.to_str())
        .ok_or_else(|| anyhow!("{}: not a file name", args.setup.display()))?;
    let span = VirtualSpan::new(&setup, &SpanModel::default()).map_err(anyhow::Error::from)?;
    let program = program(args, &setup, &span)?;
    let format = Format::from(args.format);
    if !args.snr_db.is_finite() {
        return Err(anyhow!("--snr-db {}: must be a number", args.snr_db).into());
    }
    let sensors = bench_sensors(&setup, args.snr_db, format.quantisation(), args.seed);
    let performance = Performance::new(&span, &program, &sensors, rate_hz(args, &setup), args.seed)
        .map_err(anyhow::Error::from)?;
    std::fs::create_dir_all(&args.out)
        .with_context(|| format!("{}: the folder cannot be made", args.out.display()))?;
    let recording = args.out.join(format!("{name}.wav"));
    let truth = args.out.join(format!("{name}.truth.jsonl"));
    let (rows, rate, frames) = (
        performance.rows(),
        performance.rate_hz(),
        performance.frames(),
    );
    let bar = bar(frames);
    let dwells = write(performance, &recording, &truth, format, &mut |done| {
        bar.set_position(done);
    })
    .map_err(anyhow::Error::from)?;
    bar.finish_and_clear();
    let text = if args.json {
        serde_json::to_string_pretty(&dwells).context("the truth as JSON")? + "\n"
    } else {
        format!(
            "{}: {rows} channels, {rate} Hz, {:.1} s\n{}: the truth\n\n{}",
            recording.display(),
            frames as f64 / rate,
            truth.display(),
            table(&dwells)
        )
    };
    terminal::print(&text).context("standard output")?;
    Ok(Status::Done)
}

fn rate_hz(args: &Args, setup: &Setup) -> f64 {
    let stated = setup.main_source().and_then(|(_, source)| source.rate_hz);
    args.rate
        .map(f64::from)
        .or(stated)
        .unwrap_or_else(|| setup.sweep.harmonics_rate_hz().ceil())
}

fn program(args: &Args, setup: &Setup, span: &VirtualSpan) -> anyhow::Result<Program> {
    let mut program = match &args.harmonics {
        None => Program::whole_sweep(span),
        Some(list) => {
            let resonances: Vec<Resonance> = numbers(list)?
                .into_iter()
                .map(|n| span.resonance(n))
                .collect::<Result<_, _>>()?;
            Program::of(span, &resonances)
        }
    };
    if let Some(seconds) = args.seconds {
        anyhow::ensure!(
            seconds.is_finite() && seconds > 0.0,
            "--seconds {seconds}: must be a positive number"
        );
        for step in &mut program.steps {
            step.duration_s = seconds;
        }
    }
    if let Some(doubts) = &args.faults {
        let doubts: Vec<Doubt> = match doubts.as_slice() {
            [] => Doubt::ALL.to_vec(),
            some => some.to_vec(),
        };
        let antinode = setup.channel(Role::Antinode).map_or(0, |(_, c)| c.index);
        program.mix_in(&doubts, span, antinode)?;
    }
    if args.paused {
        for step in &mut program.steps {
            if step.transition != Transition::Jump {
                step.transition = Transition::Settled;
            }
        }
    }
    Ok(program)
}

/// `8,12,20-24` to its numbers.
fn numbers(list: &str) -> anyhow::Result<Vec<u32>> {
    let wrong = |part: &str| {
        anyhow!("--harmonics {list}: \"{part}\" is neither a number nor a range like 20-24")
    };
    let mut all = Vec::new();
    for part in list.split(',').map(str::trim) {
        let (low, high) = part.split_once('-').unwrap_or((part, part));
        let low: u32 = low.trim().parse().map_err(|_| wrong(part))?;
        let high: u32 = high.trim().parse().map_err(|_| wrong(part))?;
        anyhow::ensure!(low <= high && high < 10_000, wrong(part));
        all.extend(low..=high);
    }
    Ok(all)
}

fn bar(frames: u64) -> ProgressBar {
    let bar = ProgressBar::new(frames);
    if let Ok(style) = ProgressStyle::with_template("recording {wide_bar} {percent} % {eta}") {
        bar.set_style(style);
    }
    bar
}

fn table(dwells: &[DwellTruth]) -> String {
    let heading = format!(
        "{:>5} {:>9} {:>9} {:>4} {:>10} {:>9} {:>8} {:>9}  to expect\n",
        "dwell", "start s", "end s", "n", "f Hz", "V_a mm/s", "S", "P_node W"
    );
    std::iter::once(heading)
        .chain(dwells.iter().map(row))
        .collect()
}

fn row(dwell: &DwellTruth) -> String {
    let expected = match dwell.expected {
        Expectation::Held => "held".to_owned(),
        Expectation::NotHeld => format!("not held: {}", dwell.why),
        Expectation::Either => format!("doubtful: {}", dwell.why),
    };
    format!(
        "{:>5} {:>9.2} {:>9.2} {:>4} {:>10.4} {:>9.2} {:>8.5} {:>9.4}  {expected}\n",
        dwell.dwell,
        dwell.start_s,
        dwell.end_s,
        dwell.harmonic,
        dwell.frequency_hz,
        dwell.antinode_velocity_mm_s,
        dwell.iswr,
        dwell.power_past_node_w,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_of_harmonics() {
        assert_eq!(numbers("8,12, 20-22").unwrap(), [8, 12, 20, 21, 22]);
        for wrong in ["", "8,", "x", "9-7", "1-99999"] {
            assert!(
                numbers(wrong)
                    .unwrap_err()
                    .to_string()
                    .contains("--harmonics")
            );
        }
    }
}
