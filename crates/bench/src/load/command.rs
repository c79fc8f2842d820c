//! Any command as a load: started by the shell, its output kept, its score picked from it.

use std::io::Read;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use regex_lite::Regex;
use serde_json::Value;

use crate::error::BenchError;

/// The end of the output that is kept: 1 MiB.
const KEPT: usize = 1 << 20;
/// How long a command may take to end by itself once asked.
const GRACE: Duration = Duration::from_secs(5);

/// How a score is picked from a command's output.
#[derive(Clone, Debug)]
pub enum ScorePick {
    /// The first group of a regular expression (the whole match without one), at its last match.
    Pattern(Regex),
    /// A place in JSON: keys and numbers with dots between (`results.0.score`), or a JSON pointer
    /// (RFC 6901: `/results/0/score`). The output, or else its last line that is JSON.
    Json(String),
}

impl ScorePick {
    /// Reads a regular expression.
    ///
    /// # Errors
    /// [`BenchError::Invalid`] with what is wrong in it.
    pub fn pattern(text: &str) -> Result<Self, BenchError> {
        Regex::new(text)
            .map(Self::Pattern)
            .map_err(|e| BenchError::invalid(format!("pattern '{text}'"), e.to_string()))
    }

    /// The score in an output.
    ///
    /// # Errors
    /// In words, what was not found.
    pub fn pick(&self, output: &str) -> Result<f64, String> {
        match self {
            Self::Pattern(pattern) => {
                let found = pattern
                    .captures_iter(output)
                    .last()
                    .and_then(|c| c.get(1).or_else(|| c.get(0)))
                    .ok_or_else(|| format!("nothing in its output matches '{pattern}'"))?;
                number(found.as_str()).ok_or_else(|| {
                    format!(
                        "'{}' is no number; the pattern's first group must be one",
                        found.as_str()
                    )
                })
            }
            Self::Json(path) => {
                let whole: Option<Value> = serde_json::from_str(output).ok();
                let json = whole.or_else(|| {
                    output
                        .lines()
                        .rev()
                        .find_map(|line| serde_json::from_str(line).ok())
                });
                let json = json.ok_or("its output holds no JSON")?;
                let found = json
                    .pointer(&pointer(path))
                    .ok_or_else(|| format!("its JSON has nothing at '{path}'"))?;
                found
                    .as_f64()
                    .or_else(|| number(found.as_str()?))
                    .ok_or_else(|| format!("what its JSON has at '{path}' is no number: {found}"))
            }
        }
    }
}

/// A number with separators of thousands, as programs print them for people.
fn number(text: &str) -> Option<f64> {
    let text = text.trim();
    let plain = text.parse().ok();
    plain
        .or_else(|| text.replace([',', '_', '\''], "").parse().ok())
        .filter(|n: &f64| n.is_finite())
}

fn pointer(path: &str) -> String {
    if path.is_empty() || path.starts_with('/') {
        path.to_owned()
    } else {
        format!("/{}", path.replace('.', "/"))
    }
}

type Tail = Arc<Mutex<Vec<u8>>>;

/// A command under way.
#[derive(Debug)]
pub(crate) struct Running {
    text: String,
    child: Child,
    output: Tail,
    readers: Vec<JoinHandle<()>>,
    code: Option<i32>,
}

impl Running {
    /// Starts a command line by the shell, in a group of its own.
    pub(crate) fn start(text: &str) -> Result<Self, BenchError> {
        let mut command = shell(text);
        command
            // Its other end closes when this program dies, however it dies.
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        let mut child = command.spawn().map_err(|e| BenchError::Command {
            command: text.to_owned(),
            detail: format!("cannot be started: {e}"),
        })?;
        let output = Tail::default();
        let mut readers = Vec::new();
        if let Some(out) = child.stdout.take() {
            readers.extend(reader(out, Arc::clone(&output)));
        }
        if let Some(err) = child.stderr.take() {
            readers.extend(reader(err, Arc::clone(&output)));
        }
        Ok(Self {
            text: text.to_owned(),
            child,
            output,
            readers,
            code: None,
        })
    }

    /// Whether it has ended.
    pub(crate) fn ended(&mut self) -> bool {
        if self.code.is_none()
            && let Ok(Some(status)) = self.child.try_wait()
        {
            self.code = Some(exit_code(status));
        }
        self.code.is_some()
    }

    /// Ends it if it has not ended; gives its exit code (128 and the signal for one that was
    /// killed) and its output.
    pub(crate) fn stop(mut self) -> (i32, String) {
        let own_end = self.ended();
        if !own_end {
            self.end();
        }
        let code = match (self.code, self.child.wait()) {
            (Some(code), _) => code,
            (None, Ok(status)) => exit_code(status),
            (None, Err(_)) => -1,
        };
        self.code = Some(code);
        for reader in self.readers.drain(..) {
            // A grandchild that went on keeps the pipe open; its output is not waited for.
            let patience = Instant::now();
            while !reader.is_finished() && patience.elapsed() < Duration::from_secs(1) {
                std::thread::sleep(Duration::from_millis(5));
            }
        }
        let bytes =
            std::mem::take(&mut *self.output.lock().unwrap_or_else(PoisonError::into_inner));
        (code, String::from_utf8_lossy(&bytes).into_owned())
    }

    /// Asks its group to end, then makes it.
    fn end(&mut self) {
        signal_group(&self.child, false);
        let asked = Instant::now();
        while asked.elapsed() < GRACE && !self.ended() {
            std::thread::sleep(Duration::from_millis(10));
        }
        if !self.ended() {
            signal_group(&self.child, true);
            // Without a group to signal, the child itself at least.
            let _ = self.child.kill();
        }
    }

    pub(crate) fn text(&self) -> &str {
        &self.text
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if !self.ended() {
            self.end();
            let _ = self.child.wait();
        }
    }
}

/// Runs `$1` with nothing on its standard input, and beside it waits for the end of the pipe: a load
/// must not go on when nobody watches its temperature any more.
#[cfg(unix)]
const WATCHED: &str = "exec 3<&0 </dev/null; { read -r _ <&3; kill -KILL 0; } >/dev/null 2>&1 & \
                       exec 3<&-; exec /bin/sh -c \"$1\"";

#[cfg(unix)]
fn shell(text: &str) -> Command {
    use std::os::unix::process::CommandExt as _;
    let mut command = Command::new("/bin/sh");
    command.args(["-c", WATCHED, "sh", text]).process_group(0);
    command
}

#[cfg(not(unix))]
fn shell(text: &str) -> Command {
    let mut command = Command::new("cmd");
    command.arg("/C").arg(text);
    command
}

#[cfg(unix)]
fn exit_code(status: std::process::ExitStatus) -> i32 {
    use std::os::unix::process::ExitStatusExt as _;
    // The shells' way to say it (POSIX: greater than 128).
    status
        .code()
        .unwrap_or_else(|| 128 + status.signal().unwrap_or(0))
}

#[cfg(not(unix))]
fn exit_code(status: std::process::ExitStatus) -> i32 {
    status.code().unwrap_or(-1)
}

#[cfg(target_os = "linux")]
fn signal_group(child: &Child, kill: bool) {
    use rustix::process::{Pid, Signal, kill_process_group};
    let signal = if kill { Signal::KILL } else { Signal::TERM };
    let _ = kill_process_group(Pid::from_child(child), signal);
}

#[cfg(not(target_os = "linux"))]
fn signal_group(_: &Child, _: bool) {}

fn reader(mut from: impl Read + Send + 'static, to: Tail) -> Option<JoinHandle<()>> {
    let read = move || {
        let mut buffer = [0_u8; 8192];
        while let Ok(length) = from.read(&mut buffer) {
            if length == 0 {
                break;
            }
            let mut kept = to.lock().unwrap_or_else(PoisonError::into_inner);
            kept.extend_from_slice(&buffer[..length]);
            let over = kept.len().saturating_sub(KEPT);
            kept.drain(..over);
        }
    };
    std::thread::Builder::new()
        .name("output".to_owned())
        .spawn(read)
        .ok()
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn scores_are_picked_from_text_and_json() {
        let pattern = ScorePick::pattern(r"score: *([0-9.,]+)").expect("a pattern");
        assert_eq!(
            pattern.pick("pass 1 score: 10.5\npass 2 score: 1,234.5 points\n"),
            Ok(1234.5)
        );
        assert!(
            pattern
                .pick("no luck")
                .is_err_and(|e| e.contains("matches"))
        );
        let json = ScorePick::Json("results.1.rate".to_owned());
        let text = r#"{"results": [{"rate": 1}, {"rate": "2.5"}]}"#;
        assert_eq!(json.pick(text), Ok(2.5));
        assert_eq!(json.pick(&format!("starting\n{text}\n")), Ok(2.5));
        let pointer = ScorePick::Json("/results/0/rate".to_owned());
        assert_eq!(pointer.pick(text), Ok(1.0));
        assert!(pointer.pick("{}").is_err_and(|e| e.contains("nothing at")));
        assert!(pointer.pick("plain").is_err_and(|e| e.contains("no JSON")));
        assert!(ScorePick::pattern("(").is_err());
    }

    #[test]
    fn a_command_keeps_its_exit_code_and_output() {
        let mut running = Running::start("echo rate 7; echo trouble >&2; exit 3").expect("starts");
        while !running.ended() {
            std::thread::sleep(Duration::from_millis(2));
        }
        let (code, output) = running.stop();
        assert_eq!(code, 3);
        assert!(output.contains("rate 7") && output.contains("trouble"));
    }

    #[test]
    fn a_command_ends_when_its_recorder_dies() {
        let mut running = Running::start("sleep 600").expect("starts");
        // What the kernel does to a dead program's pipes.
        drop(running.child.stdin.take());
        let begun = Instant::now();
        while !running.ended() {
            assert!(begun.elapsed() < Duration::from_mins(1));
            std::thread::sleep(Duration::from_millis(2));
        }
        assert_eq!(running.stop().0, 128 + 9, "SIGKILL (POSIX: 9)");
    }

    #[test]
    fn a_command_that_goes_on_is_ended_with_its_children() {
        let begun = Instant::now();
        let running = Running::start("sleep 600 & sleep 600").expect("starts");
        let (code, _) = running.stop();
        assert_eq!(code, 128 + 15, "ended by SIGTERM (POSIX: 15)");
        assert!(begun.elapsed() < Duration::from_mins(1));
    }
}
