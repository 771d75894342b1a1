//! What a running process has taken, as Linux counts it.

/// Peak of the memory in use (`VmHWM`), kB; nothing once it has ended.
pub fn peak_kb(process: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let peak = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))?;
    peak.trim().trim_end_matches(" kB").parse().ok()
}
