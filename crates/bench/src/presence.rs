//! Who records, so that a recording that was cut off is told from one under way.

use serde_json::{Value, json};

/// A program at one start of one machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Presence {
    /// The kernel's id of this start (`/proc/sys/kernel/random/boot_id`).
    boot: String,
    /// The program's number.
    pid: u32,
    /// When it was started, in ticks since the start of the machine.
    ticks: u64,
}

impl Presence {
    /// This program.
    pub fn here() -> Self {
        let pid = std::process::id();
        Self {
            boot: boot_id(),
            pid,
            ticks: start_ticks(pid).unwrap_or(0),
        }
    }

    /// Whether the program still runs.
    pub fn is_there(&self) -> bool {
        self.same_start() && start_ticks(self.pid) == Some(self.ticks)
    }

    /// Whether the machine has not been started again since.
    pub fn same_start(&self) -> bool {
        self.boot == boot_id()
    }

    /// As it is kept with a recording.
    pub fn to_json(&self) -> Value {
        json!({ "boot": self.boot, "pid": self.pid, "ticks": self.ticks })
    }

    /// Read back; `None` if it is no presence.
    pub fn from_json(value: &Value) -> Option<Self> {
        Some(Self {
            boot: value["boot"].as_str()?.to_owned(),
            pid: u32::try_from(value["pid"].as_u64()?).ok()?,
            ticks: value["ticks"].as_u64()?,
        })
    }
}

fn boot_id() -> String {
    std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
        .map(|id| id.trim().to_owned())
        .unwrap_or_default()
}

/// Field 22 of `/proc/PID/stat`, counted behind the name in brackets, which may hold anything
/// (Documentation/filesystems/proc.rst). A program that ended but was not waited for has gone.
fn start_ticks(pid: u32) -> Option<u64> {
    let text = std::fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    let mut fields = text.rsplit_once(')')?.1.split_whitespace();
    let state = fields.next()?;
    if state == "Z" || state == "X" {
        return None;
    }
    // Fields 4 to 21 lie between.
    fields.nth(18)?.parse().ok()
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn a_program_is_there_until_it_has_ended() {
        let here = Presence::here();
        assert!(here.is_there());
        assert_eq!(Presence::from_json(&here.to_json()), Some(here.clone()));
        let mut child = std::process::Command::new("sleep")
            .arg("60")
            .spawn()
            .expect("a program");
        let theirs = Presence {
            pid: child.id(),
            ticks: start_ticks(child.id()).expect("it runs"),
            ..here.clone()
        };
        assert!(theirs.is_there());
        child.kill().expect("it ends");
        let deadline = std::time::Instant::now() + std::time::Duration::from_secs(10);
        while theirs.is_there() {
            assert!(
                std::time::Instant::now() < deadline,
                "gone before it is waited for"
            );
        }
        child.wait().expect("it ended");
        let other_start = Presence {
            boot: "another".to_owned(),
            ..here
        };
        assert!(!other_start.is_there() && !other_start.same_start());
    }
}
