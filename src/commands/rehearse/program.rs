//! What the arguments ask the virtual span to do: dwells, their length, fault scenarios.

use anyhow::anyhow;

use super::Args;
use crate::rehearsal::{FaultScenario, Program, Resonance, Transition, VirtualSpan, mix_in};
use crate::setup::Setup;

/// The program of dwells.
pub fn program(args: &Args, setup: &Setup, span: &VirtualSpan) -> anyhow::Result<Program> {
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
    if let Some(scenarios) = &args.faults {
        let scenarios = match scenarios.as_slice() {
            [] => &FaultScenario::ALL[..],
            some => some,
        };
        let antinode = setup.antinode_or_fixed().map_or(0, |c| c.index);
        mix_in(&mut program, scenarios, span, antinode)?;
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
