//! A folder to work in, the program in it, and readers of what it says.

use std::ffi::OsStr;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use serde_json::Value;
use tempfile::TempDir;

/// Three settled runs typed by hand, watts and scores far enough apart to tell a trend.
pub(crate) const THREE: &str = "\
run,setting,pl1_w,pl2_w,tau_s,temp_limit_c,workload,room_c,phase,duration_s,power_w,package_c,fan_speed_rpm,level_dba,score
low,low,65,253,56,100,mixdown,21,sustained,600,65,52,700,28,20.1
mid,mid,125,253,56,100,mixdown,21,sustained,600,125,70,1100,33,28.9
high,high,181,253,56,100,mixdown,22,sustained,600,181,88,1480,36.5,33.4
";

/// A temporary folder that is the current one of every command started in it.
pub(crate) struct Desk {
    folder: TempDir,
}

impl Desk {
    pub(crate) fn new() -> Self {
        Self {
            folder: tempfile::tempdir().expect("a folder"),
        }
    }

    /// A desk with an empty notebook `a.settle`.
    pub(crate) fn with_notebook() -> Self {
        let desk = Self::new();
        desk.run(["new", "a.settle"]).ok();
        desk
    }

    /// A desk with a notebook `a.settle` of the three typed runs.
    pub(crate) fn with_three_runs() -> Self {
        let desk = Self::with_notebook();
        desk.write("three.csv", THREE);
        desk.run(["add", "readings", "a.settle", "three.csv"]).ok();
        desk
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        std::fs::write(self.path(name), content).expect("a file");
    }

    /// Names of all that lies in the folder, sorted.
    pub(crate) fn names(&self) -> Vec<String> {
        names_in(self.folder.path())
    }

    pub(crate) fn command<A: AsRef<OsStr>>(&self, args: impl IntoIterator<Item = A>) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_settlepoint"));
        command.args(args).current_dir(self.folder.path());
        command
    }

    pub(crate) fn run<A: AsRef<OsStr>>(&self, args: impl IntoIterator<Item = A>) -> Said {
        let mut command = self.command(args);
        command.stdin(Stdio::null());
        Said::of(command.output().expect("the program starts"))
    }

    /// Runs with this on standard input.
    pub(crate) fn feed<A: AsRef<OsStr>>(
        &self,
        args: impl IntoIterator<Item = A>,
        input: &[u8],
    ) -> Said {
        let mut child = self.spawn(args);
        let mut stdin = child.stdin.take().expect("a pipe");
        // A program that refuses early closes the pipe; what it says is judged by the test.
        let _ = stdin.write_all(input);
        drop(stdin);
        Said::of(child.wait_with_output().expect("the program ends"))
    }

    /// Starts with pipes on all three ends.
    pub(crate) fn spawn<A: AsRef<OsStr>>(&self, args: impl IntoIterator<Item = A>) -> Child {
        self.command(args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts")
    }

    /// Runs a command line with `--json` and gives its object; the command must succeed.
    pub(crate) fn json<A: AsRef<OsStr>>(&self, args: impl IntoIterator<Item = A>) -> Value {
        let mut all: Vec<_> = args.into_iter().map(|a| a.as_ref().to_owned()).collect();
        if !all.iter().any(|a| a == "--json") {
            all.push("--json".into());
        }
        self.run(all).ok().object()
    }

    /// Adds a readings table given as bytes.
    pub(crate) fn add_readings(&self, table: impl AsRef<[u8]>) -> Said {
        self.write("table.csv", table);
        self.run(["add", "readings", "a.settle", "table.csv"])
    }

    /// The runs of `a.settle`.
    pub(crate) fn runs(&self) -> Vec<Value> {
        let answer = self.json(["runs", "a.settle"]);
        answer["runs"].as_array().expect("runs").clone()
    }
}

pub(crate) fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("a folder")
        .map(|entry| {
            entry
                .expect("an entry")
                .file_name()
                .to_string_lossy()
                .into_owned()
        })
        .collect();
    names.sort();
    names
}

/// What a command said and how it ended.
#[derive(Debug)]
pub(crate) struct Said {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Said {
    pub(crate) fn of(output: Output) -> Self {
        Self {
            code: output.status.code(),
            out: String::from_utf8(output.stdout).expect("answers are UTF-8"),
            err: String::from_utf8(output.stderr).expect("messages are UTF-8"),
        }
    }

    /// Succeeded, with nothing on standard error and no oddity in the answer.
    pub(crate) fn ok(self) -> Self {
        assert_eq!(self.code, Some(0), "{self:?}");
        assert_eq!(self.err, "", "an answer without trouble has no messages");
        self.without_oddities()
    }

    /// Failed with this code and a message, with nothing that looks like an answer.
    pub(crate) fn refused(self, code: i32) -> Self {
        assert_eq!(self.code, Some(code), "{self:?}");
        assert_eq!(self.out, "", "a refusal goes to standard error");
        assert!(self.err.trim().len() > 20, "says what to do: {self:?}");
        assert!(!self.err.contains("panicked"), "{self:?}");
        self.without_oddities()
    }

    /// Printed no answer.
    pub(crate) fn without_answer(self) -> Self {
        assert_eq!(self.out, "");
        self
    }

    /// The message holds each of these.
    pub(crate) fn saying(self, parts: &[&str]) -> Self {
        for part in parts {
            assert!(self.err.contains(part), "'{part}' in: {}", self.err);
        }
        self
    }

    /// The one object printed.
    pub(crate) fn object(&self) -> Value {
        let mut stream = serde_json::Deserializer::from_str(&self.out).into_iter::<Value>();
        let object = stream.next().expect("an object").expect("valid JSON");
        assert!(object.is_object(), "{object}");
        assert!(stream.next().is_none(), "one object only");
        object
    }

    /// What must never stand in an answer.
    fn without_oddities(self) -> Self {
        for line in self.out.lines() {
            for word in line.split(|c: char| c.is_whitespace() || "(),:".contains(c)) {
                let odd = ["NaN", "inf", "-inf", "-0", "-0.0", "-0.00"].contains(&word);
                assert!(!odd, "'{word}' in: {line}");
            }
        }
        self
    }
}

/// An estimate has its four keys, in order and within words; an unknown one names what it needs.
pub(crate) fn assert_estimate(value: &Value, what: &str) {
    let object = value.as_object().expect(what);
    if value["value"].is_null() {
        assert!(
            value["needs"].as_str().is_some_and(|n| n.len() > 5),
            "{what} names what it needs: {value}"
        );
        return;
    }
    let at = |key: &str| value[key].as_f64().expect(what);
    assert!(
        at("lo") <= at("value") && at("value") <= at("hi"),
        "{what}: {value}"
    );
    let bases = ["measured", "interpolated", "extrapolated", "assumed"];
    assert!(
        bases.contains(&value["basis"].as_str().unwrap_or("")),
        "{what}: {value}"
    );
    assert_eq!(object.len(), 4, "{what} has four keys: {value}");
}

/// The keys are all there (their value may be null).
pub(crate) fn assert_keys(value: &Value, keys: &[&str]) {
    let object = value.as_object().expect("an object");
    for key in keys {
        assert!(object.contains_key(*key), "key '{key}' in {value}");
    }
}
