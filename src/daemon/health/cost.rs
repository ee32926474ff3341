//! What a run costs, and what is left: processor, memory and room on the disk, as the system counts them.

use serde::{Deserialize, Serialize};
use std::path::Path;

/// What a run costs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Cost {
    /// Processor time since the program began (s), where the system tells.
    pub processor_s: Option<f64>,
    /// Memory resident now (bytes), where the system tells.
    pub resident_bytes: Option<u64>,
}

/// Ticks per second of the times in `/proc`: Linux promises programs 100 on every architecture
/// (`USER_HZ`, proc(5)).
const TICKS_PER_SECOND: f64 = 100.0;

impl Cost {
    /// Of this process, now.
    pub(crate) fn now() -> Self {
        let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
        let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
        Self { processor_s: processor(&stat), resident_bytes: resident(&status) }
    }
}

/// Room left on the disk of a file, for those who aren't root (bytes); none where the system doesn't tell.
pub(super) fn room(file: &Path) -> Option<u64> {
    let directory = file.parent().filter(|parent| !parent.as_os_str().is_empty());
    let told = rustix::fs::statvfs(directory.unwrap_or(Path::new("."))).ok()?;
    told.f_bavail.checked_mul(told.f_frsize)
}

/// Fields 14 and 15 of `/proc/self/stat`, in user mode and in the kernel (proc(5)). The second field is
/// the program's name in brackets, which may hold anything: fields are counted from the last bracket.
fn processor(stat: &str) -> Option<f64> {
    let (_, rest) = stat.rsplit_once(") ")?;
    let mut fields = rest.split_ascii_whitespace().skip(11);
    let user: f64 = fields.next()?.parse().ok()?;
    let system: f64 = fields.next()?.parse().ok()?;
    Some((user + system) / TICKS_PER_SECOND)
}

/// `VmRSS` of `/proc/self/status`, in kibibytes (proc(5)).
fn resident(status: &str) -> Option<u64> {
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kibibytes: u64 = line.split_ascii_whitespace().next()?.parse().ok()?;
    Some(kibibytes * 1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_what_the_system_writes() {
        let stat = "7 (a ) b) S 1 7 7 0 -1 4194560 100 0 0 0 250 50 0 0 20 0 1 0 5 1 1";
        assert_eq!(processor(stat), Some(3.0));
        assert_eq!(resident("VmPeak:\t 9 kB\nVmRSS:\t     12 kB\n"), Some(12_288));
        assert_eq!((processor(""), resident("")), (None, None));
        if cfg!(target_os = "linux") {
            let cost = Cost::now();
            assert!(cost.processor_s.is_some());
            assert!(cost.resident_bytes.is_some_and(|bytes| bytes > 100_000), "{cost:?}");
        }
    }
}
