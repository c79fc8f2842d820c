//! Keeps the README honest: its commands run, in order, and print the lines quoted there.
//!
//! Numbers are not compared, only where they stand: the last digits of a fit may differ from one
//! mathematics library to the next. The accuracy of the numbers is the business of other tests.
//! With `UPDATE_README` set in the environment the quoted lines are replaced by those printed now.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const PROGRAM: &str = "settlepoint";
/// Stands in the README where lines were left out.
const LEFT_OUT: &str = "…";

/// A command of the README with the lines quoted below it.
#[derive(Debug, PartialEq)]
struct Quoted {
    line: String,
    /// Lines with their places in the README, from 0.
    output: Vec<(usize, String)>,
}

fn readme_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../README.md")
}

fn readme() -> String {
    std::fs::read_to_string(readme_path()).expect("the README is two folders above this crate")
}

/// A fresh folder under the build's own scratch folder.
fn scratch(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    if folder.exists() {
        std::fs::remove_dir_all(&folder).expect("the last test's folder can be removed");
    }
    std::fs::create_dir_all(&folder).expect("the scratch folder can be made");
    folder
}

fn run(folder: &Path, words: &[String]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_settlepoint"))
        .args(words)
        .current_dir(folder)
        .output()
        .expect("the program starts")
}

/// The commands of the fenced `console` blocks.
fn commands(text: &str) -> Vec<Quoted> {
    let mut commands: Vec<Quoted> = Vec::new();
    let mut inside = false;
    for (place, line) in text.lines().enumerate() {
        if line.starts_with("```") {
            inside = line == "```console";
        } else if let Some(command) = line.strip_prefix("$ ").filter(|_| inside) {
            commands.push(Quoted {
                line: command.to_owned(),
                output: Vec::new(),
            });
        } else if let Some(last) = commands.last_mut().filter(|_| inside) {
            last.output.push((place, line.to_owned()));
        }
    }
    commands
}

/// Words between spaces; double quotes hold words together.
fn words(line: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    for (i, piece) in line.split('"').enumerate() {
        if i % 2 == 1 {
            words.last_mut().expect("never empty").push_str(piece);
            continue;
        }
        let mut parts = piece.split(' ');
        words
            .last_mut()
            .expect("never empty")
            .push_str(parts.next().unwrap_or_default());
        words.extend(parts.map(str::to_owned));
    }
    words.retain(|w| !w.is_empty());
    words
}

/// A line without what may differ: each number becomes `#`, each stretch of spaces one space.
fn shape(line: &str) -> String {
    let mut shape = String::new();
    let mut chars = line.trim().chars().peekable();
    while let Some(c) = chars.next() {
        let signed = matches!(c, '+' | '-') && chars.peek().is_some_and(char::is_ascii_digit);
        if c.is_ascii_digit() || signed {
            while chars
                .peek()
                .is_some_and(|c| c.is_ascii_digit() || *c == '.')
            {
                chars.next();
            }
            shape.push('#');
        } else if c != ' ' || !shape.ends_with(' ') {
            shape.push(c);
        }
    }
    shape
}

/// The quoted lines as the output has them now, in order, each with its place.
///
/// # Errors
/// The first quoted line that the output does not have after the one before it.
fn printed(quoted: &[(usize, String)], output: &str) -> Result<Vec<(usize, String)>, String> {
    let mut rest = output.lines();
    quoted
        .iter()
        .filter(|(_, line)| !line.trim().is_empty() && line != LEFT_OUT)
        .map(|(place, line)| {
            let wanted = shape(line);
            let found = rest.find(|have| shape(have) == wanted);
            found
                .map(|have| (*place, have.to_owned()))
                .ok_or_else(|| line.clone())
        })
        .collect()
}

/// Runs one command of the README and gives its quoted lines as printed now.
fn replay(folder: &Path, quoted: &Quoted) -> Vec<(usize, String)> {
    let words = words(&quoted.line);
    assert_eq!(words[0], PROGRAM, "`{}`", quoted.line);
    let output = run(folder, &words[1..]);
    let stdout = String::from_utf8_lossy(&output.stdout);
    assert!(
        output.status.success(),
        "`{}` ends with {}:\n{}",
        quoted.line,
        output.status,
        String::from_utf8_lossy(&output.stderr)
    );
    let now = printed(&quoted.output, &stdout);
    assert!(
        now.is_ok(),
        "`{}` no longer prints\n{}\nbut\n{stdout}\nBring the README up to date.",
        quoted.line,
        now.err().unwrap_or_default()
    );
    now.unwrap_or_default()
}

/// The text with some of its lines replaced.
fn replaced(text: &str, lines: &[(usize, String)]) -> String {
    let mut all: Vec<&str> = text.lines().collect();
    for (place, line) in lines {
        all[*place] = line;
    }
    all.join("\n") + "\n"
}

#[test]
fn every_command_runs_and_prints_what_is_quoted() {
    let folder = scratch("readme");
    let text = readme();
    let commands = commands(&text);
    assert!(commands.len() >= 10, "the tour has lost its commands");
    let now: Vec<(usize, String)> = commands
        .iter()
        .flat_map(|quoted| replay(&folder, quoted))
        .collect();
    if std::env::var_os("UPDATE_README").is_some() {
        std::fs::write(readme_path(), replaced(&text, &now)).expect("the README can be written");
    }
}

#[test]
fn every_command_of_the_program_is_in_the_table() {
    let help = run(&scratch("readme-help"), &["--help".to_owned()]);
    let help = String::from_utf8_lossy(&help.stdout).into_owned();
    let names: Vec<&str> = help
        .lines()
        .skip_while(|line| !line.starts_with("Commands:"))
        .skip(1)
        .take_while(|line| !line.is_empty())
        .filter_map(|line| line.strip_prefix("  ")?.split(' ').next())
        .filter(|name| !name.is_empty() && *name != "help")
        .collect();
    assert!(
        names.contains(&"choose"),
        "the help has another form now:\n{help}"
    );
    let table: Vec<String> = readme()
        .lines()
        .filter_map(|line| {
            line.strip_prefix("| ")?
                .split(" | ")
                .next()
                .map(str::to_owned)
        })
        .collect();
    for name in names {
        let told = table
            .iter()
            .any(|cell| cell.split(['`', ' ', ',', '[']).any(|word| word == name));
        assert!(told, "the README's table of commands lacks `{name}`");
    }
}

#[test]
fn commands_and_their_output_are_found() {
    let text = "$ not here\n```console\n$ a b\none\n$ c\n```\ntwo\n```sh\n$ d\n```\n";
    let quoted = |line: &str, output: &[(usize, &str)]| Quoted {
        line: line.to_owned(),
        output: output.iter().map(|&(i, s)| (i, s.to_owned())).collect(),
    };
    assert_eq!(
        commands(text),
        [quoted("a b", &[(3, "one")]), quoted("c", &[])]
    );
    assert_eq!(replaced("a\nb\nc\n", &[(1, "x".to_owned())]), "a\nx\nc\n");
}

#[test]
fn quotes_hold_words_together() {
    assert_eq!(
        words("a \"b c\" --d=\"e f\"  g"),
        ["a", "b c", "--d=e f", "g"]
    );
}

#[test]
fn numbers_may_differ_and_words_may_not() {
    assert_eq!(
        shape("at  -0.5 (12 to 1.25) W"),
        shape("at 3 (0.4 to  +7) W")
    );
    assert_ne!(shape("settles at 7 W"), shape("settled at 7 W"));
    let quoted = ["b 2", LEFT_OUT, "c 3"].map(|line| (7, line.to_owned()));
    let now = ["b 9", "c 4"].map(|line| (7, line.to_owned()));
    assert_eq!(printed(&quoted, "a 1\nb 9\nx\nc 4\n"), Ok(now.to_vec()));
    assert_eq!(printed(&quoted, "c 4\nb 9\n"), Err("c 3".to_owned()));
}
