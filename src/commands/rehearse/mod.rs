//! `spanhold rehearse`: a virtual span as a recording, or as a device on a
//! serial line, and the truth beside it.

mod device;
mod outputs;
mod pace;
mod port;
mod program;
mod table;

use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context, anyhow};
use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{ArgGroup, Args as ClapArgs};
use indicatif::{ProgressBar, ProgressStyle};

use super::{Failure, Status};
use crate::pipeline;
use crate::rehearsal::{
    DwellTruth, FaultScenario, Performance, Program, Quantisation, Recording, Sensors, SpanModel,
    Step, Transition, VirtualSpan, bench_sensors,
};
use crate::setup::{self, SampleFormat, Setup, SourceKind};
use device::Played;
use outputs::Outputs;
use program::program;
use table::table;

/// Record a virtual span, or play it over a serial line, with its true values
///
/// Builds a virtual conductor span from the setup (with an invented damper
/// where the setup has a damper position), drives it through its resonances,
/// and writes NAME.wav and NAME.truth.jsonl, NAME being the setup file's
/// (--out; with --each a recording a resonance), or plays the device of one source in real time (--to), or both.
#[derive(Debug, ClapArgs)]
#[command(group(ArgGroup::new("where").args(["out", "to"]).required(true).multiple(true)))]
pub struct Args {
    /// The setup file
    setup: PathBuf,
    /// Folder for the recording and the truth; made if missing
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Serial port or pseudo terminal to play the device on, in real time
    #[arg(long, value_name = "PORT")]
    to: Option<String>,
    /// The source to play, in a setup with several
    #[arg(long, value_name = "NAME")]
    source: Option<String>,
    /// How much faster than nominal the device samples, by this computer's clock
    #[arg(
        long,
        value_name = "PPM",
        default_value_t = 0.0,
        allow_negative_numbers = true,
        requires = "to"
    )]
    clock_ppm: f64,
    /// Decides noise and sensor places; the same seed gives the same bytes
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Sampling rate, Hz; default: the source's rate_hz, or 8 × the sweep's high_hz
    #[arg(long, value_name = "HZ")]
    rate: Option<u32>,
    /// How samples are stored and sent
    #[arg(
        long,
        value_parser = one_of(&SampleFormat::ALL, SampleFormat::name),
        default_value_t = SampleFormat::I24
    )]
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
    /// One recording a resonance, begun when it had rung up: NAME-01.wav,
    /// NAME-02.wav, …; without --seconds 30 s each
    #[arg(long, conflicts_with_all = ["to", "paused", "faults"])]
    each: bool,
    /// Fault scenarios to mix in: dwells that must not count, or are borderline;
    /// without a list, one of each
    #[arg(
        long,
        value_parser = one_of(&FaultScenario::ALL, FaultScenario::name),
        value_delimiter = ',',
        num_args = 0..,
        require_equals = true,
        value_name = "LIST"
    )]
    faults: Option<Vec<FaultScenario>>,
    /// Print the truth as JSON
    #[arg(long)]
    json: bool,
}

/// Parses one of `values` by its name.
fn one_of<T: Copy + Send + Sync + 'static>(
    values: &'static [T],
    name: fn(T) -> &'static str,
) -> impl TypedValueParser<Value = T> {
    let names = PossibleValuesParser::new(values.iter().map(|value| name(*value)));
    names.try_map(move |word| {
        let found = values.iter().find(|value| name(**value) == word);
        found.copied().ok_or("no such name")
    })
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let loaded = setup::read_alone(&args.setup).map_err(|faults| anyhow!("{faults}"))?;
    let setup = loaded.setup;
    for (option, value) in [("--snr-db", args.snr_db), ("--clock-ppm", args.clock_ppm)] {
        if !value.is_finite() || value.abs() > 1e5 {
            return Err(anyhow!("{option} {value}: must be a number within ±100000").into());
        }
    }
    let source = source(args, &setup)?;
    let stop = pipeline::on_signals().context("cannot listen for Ctrl-C")?;
    if args.each {
        return one_each(args, &setup, source, &stop);
    }
    let performance = performance(args, &setup, source)?;
    let mut outputs = Outputs::open(args, &setup, source, &performance)?;
    let whole = Extent::of(&performance);
    let bar = bar(whole.frames, args.to.is_some());
    let (dwells, frames) = perform(performance, &mut outputs, &stop, &bar)?;
    let sent = outputs.finish(&dwells, &stop, &bar)?;
    bar.finish_and_clear();
    let text = if args.json {
        serde_json::to_string_pretty(&dwells).context("the truth as JSON")? + "\n"
    } else {
        let head = summary(args, &outputs, sent, frames, whole);
        format!("{head}\n{}", table(&dwells))
    };
    super::print(&text)?;
    Ok(Status::Done)
}

/// A recording for each dwell of the program.
fn one_each(
    args: &Args,
    setup: &Setup,
    source: usize,
    stop: &AtomicBool,
) -> Result<Status, Failure> {
    let span = VirtualSpan::new(setup, &SpanModel::default()).map_err(anyhow::Error::from)?;
    let program = program(args, setup, &span)?;
    let folder = args.out.as_deref().context("--each needs --out DIR")?;
    let mut truths: Vec<DwellTruth> = Vec::new();
    let mut text = String::new();
    for (nth, step) in (1..).zip(&program.steps) {
        let alone = Program {
            lead_in_s: 0.0,
            steps: vec![settled(step.clone(), args.seconds)],
            lead_out_s: 0.0,
        };
        // Every recording has noise of its own; the bench is the same.
        let noise = args.seed ^ ((nth as u64) << 48);
        let mut performance = performance_of(args, setup, source, (&span, &alone), noise)?;
        let path = outputs::recording_path(&args.setup, folder, Some(nth))?;
        let mut recording =
            Recording::create(&path, &performance, args.format).map_err(anyhow::Error::from)?;
        let whole = Extent::of(&performance);
        while let Some(block) = performance.next_block() {
            recording.write(&block).map_err(anyhow::Error::from)?;
        }
        recording.finish().map_err(anyhow::Error::from)?;
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        truths.extend(
            performance
                .into_truth()
                .into_iter()
                .map(|truth| DwellTruth {
                    dwell: nth,
                    recording: Some(name.clone().into_owned()),
                    ..truth
                }),
        );
        let _ = writeln!(text, "{}: {}", path.display(), whole.part(whole.frames));
        if stop.load(Ordering::Relaxed) {
            break;
        }
    }
    let truth = outputs::write_truth(&args.setup, folder, &truths)?;
    let text = if args.json {
        serde_json::to_string_pretty(&truths).context("the truth as JSON")? + "\n"
    } else {
        format!("{text}{}: the truth\n\n{}", truth.display(), table(&truths))
    };
    super::print(&text)?;
    Ok(Status::Done)
}

/// How long a recording of one resonance is where nobody says, s.
const EACH_S: f64 = 30.0;

/// The step as a recording begun when it had rung up.
fn settled(step: Step, seconds: Option<f64>) -> Step {
    Step {
        duration_s: seconds.unwrap_or(EACH_S),
        transition: Transition::Settled,
        ..step
    }
}

/// How much there is of a performance.
#[derive(Debug, Clone, Copy)]
struct Extent {
    rows: usize,
    rate_hz: f64,
    frames: u64,
}

impl Extent {
    fn of(performance: &Performance) -> Self {
        Self {
            rows: performance.rows(),
            rate_hz: performance.rate_hz(),
            frames: performance.frames(),
        }
    }

    /// So many frames of it, in words.
    fn part(self, frames: u64) -> String {
        let seconds = |frames: u64| frames as f64 / self.rate_hz;
        let (rows, rate_hz) = (self.rows, self.rate_hz);
        let text = format!("{rows} channels, {rate_hz} Hz, {:.1} s", seconds(frames));
        if frames < self.frames {
            let whole_s = seconds(self.frames);
            return format!("{text}, broken off; the whole is {whole_s:.1} s");
        }
        text
    }
}

fn summary(
    args: &Args,
    outputs: &Outputs,
    sent: Option<Played>,
    frames: u64,
    whole: Extent,
) -> String {
    let mut text = String::new();
    if let (Some(port), Some(sent)) = (&args.to, sent) {
        let about = whole.part(sent.frames);
        let lag_s = sent.longest_lag.as_secs_f64();
        let _ = writeln!(
            text,
            "{port}: {about}; at most {lag_s:.3} s behind real time"
        );
    }
    if let Some((recording, truth)) = &outputs.paths {
        let _ = writeln!(text, "{}: {}", recording.display(), whole.part(frames));
        let _ = writeln!(text, "{}: the truth", truth.display());
    }
    text
}

/// The source to play: an index into the setup's.
fn source(args: &Args, setup: &Setup) -> anyhow::Result<usize> {
    let names: Vec<&str> = setup.sources.iter().map(|s| s.name.as_str()).collect();
    let names = names.join(", ");
    if let Some(name) = &args.source {
        let found = setup.sources.iter().position(|source| source.name == *name);
        return found.ok_or_else(|| {
            anyhow!("--source {name}: the setup has no such source; these are: {names}")
        });
    }
    let plays = |kind: &SourceKind| matches!(kind, SourceKind::Serial { port, .. } if Some(port) == args.to.as_ref());
    let mut on_port = (0..).zip(&setup.sources).filter(|(_, s)| plays(&s.kind));
    match (setup.sources.len(), on_port.next(), on_port.next()) {
        (1, ..) => Ok(0),
        (_, Some((number, _)), None) => Ok(number),
        _ => Err(anyhow!(
            "the setup has several sources ({names}), and one is played at a time: name it with \
             --source"
        )),
    }
}

fn performance(args: &Args, setup: &Setup, source: usize) -> anyhow::Result<Performance> {
    let span = VirtualSpan::new(setup, &SpanModel::default())?;
    let program = program(args, setup, &span)?;
    performance_of(args, setup, source, (&span, &program), args.seed)
}

fn performance_of(
    args: &Args,
    setup: &Setup,
    source: usize,
    (span, program): (&VirtualSpan, &Program),
    noise: u64,
) -> anyhow::Result<Performance> {
    let quantisation = Quantisation::of(args.format);
    let bench = bench_sensors(setup, args.snr_db, quantisation, args.seed);
    // Sensors stand where they stand, whichever source is played; the noise of
    // each source is its own.
    let own = setup.channels.iter().zip(&bench.channels);
    let sensors = Sensors {
        channels: own
            .filter(|(channel, _)| channel.source == source)
            .map(|(_, sensor)| *sensor)
            .collect(),
        ..bench
    };
    let stated = setup.sources.get(source).and_then(|source| source.rate_hz);
    let rate_hz = args
        .rate
        .map(f64::from)
        .or(stated)
        .unwrap_or_else(|| setup.sweep.harmonics_rate_hz().ceil());
    let seed = noise ^ ((source as u64) << 32);
    let span = span.with_channels_of(source);
    Ok(Performance::new(&span, program, &sensors, rate_hz, seed)?)
}

/// Performs to the end, or until asked to stop: the truth of what was whole,
/// and the number of frames.
fn perform(
    mut performance: Performance,
    outputs: &mut Outputs,
    stop: &AtomicBool,
    bar: &ProgressBar,
) -> Result<(Vec<DwellTruth>, u64), Failure> {
    let mut done = 0;
    while !stop.load(Ordering::Relaxed)
        && let Some(block) = performance.next_block()
    {
        if let Some(recording) = &mut outputs.recording {
            recording.write(&block).map_err(anyhow::Error::from)?;
        }
        let played = match &mut outputs.device {
            Some(device) => device.play(&block, stop, bar),
            None => Ok(()),
        };
        done += block.frames as u64;
        if let Err(error) = played {
            bar.finish_and_clear();
            outputs.device = None;
            outputs.finish(&performance.into_truth(), stop, bar)?;
            return Err(Failure::Device(error));
        }
        if done % 4096 < block.frames as u64 {
            bar.set_position(done);
        }
    }
    Ok((performance.into_truth(), done))
}

fn bar(frames: u64, plays: bool) -> ProgressBar {
    let bar = ProgressBar::new(frames);
    let template = if plays {
        "playing {wide_bar} {percent} %  {elapsed} played, {eta} left"
    } else {
        "recording {wide_bar} {percent} % {eta}"
    };
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    bar
}
