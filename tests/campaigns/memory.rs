//! What a running process has taken, as Linux counts it.

/// Peak of the memory in use (`VmHWM`), kB; nothing once it has ended.
pub fn peak_kb(process: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let peak = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))?;
    peak.trim().trim_end_matches(" kB").parse().ok()
}

/// What this process has in memory at the moment, kB.
pub fn resident_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    let number = line.and_then(|line| line.split_whitespace().next());
    number.unwrap().parse().unwrap()
}
