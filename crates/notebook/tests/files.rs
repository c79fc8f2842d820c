//! What happens to the file: made, opened, refused, cut off, full, shared.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod common;

use std::fs;
use std::path::Path;
use std::time::Duration;

use common::*;
use rusqlite::Connection;
use settlepoint_domain::{Channel, Role, RunData, SensorLog, Unit};
use settlepoint_notebook::{LogSource, Notebook, NotebookError, SCHEMA_VERSION};

fn files_in(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    let mut names: Vec<_> = entries
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn creating_never_replaces_and_leaves_no_drafts() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.settle");
    fs::write(&path, "mine").unwrap();
    assert!(matches!(
        Notebook::create(&path),
        Err(NotebookError::Exists { .. })
    ));
    assert_eq!(fs::read(&path).unwrap(), b"mine");
    drop(Notebook::create(folder.path().join("b.settle")).unwrap());
    assert_eq!(files_in(folder.path()), ["a.settle", "b.settle"]);
}

#[test]
fn creating_where_there_is_no_folder_fails() {
    let folder = tempfile::tempdir().unwrap();
    let error = Notebook::create(folder.path().join("no/such/a.settle")).unwrap_err();
    assert!(matches!(error, NotebookError::Io { .. }), "{error:?}");
    assert!(files_in(folder.path()).is_empty());
}

#[test]
fn the_journal_is_a_write_ahead_log_that_is_synchronised() {
    let (_folder, notebook) = blank();
    notebook.machine_named("tower").unwrap();
    let mut wal = notebook.path().as_os_str().to_os_string();
    wal.push("-wal");
    assert!(fs::metadata(wal).unwrap().len() > 0);
}

#[test]
fn a_missing_file_is_not_made_by_opening() {
    let folder = tempfile::tempdir().unwrap();
    let error = Notebook::open(folder.path().join("a.settle")).unwrap_err();
    assert!(matches!(error, NotebookError::NotFound { .. }), "{error:?}");
    assert!(files_in(folder.path()).is_empty());
}

#[test]
fn other_files_are_told_apart_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    fs::write(at("log.csv"), "time,power\n0,15\n").unwrap();
    fs::write(at("empty.settle"), "").unwrap();
    fs::create_dir(at("folder.settle")).unwrap();
    // The right first bytes, then nothing that SQLite could read.
    fs::write(
        at("broken.settle"),
        [b"SQLite format 3\0".as_slice(), &[0xA5; 4096]].concat(),
    )
    .unwrap();
    let other = Connection::open(at("other.db")).unwrap();
    other
        .execute_batch("CREATE TABLE machines (id); PRAGMA application_id = 7")
        .unwrap();
    drop(other);
    let cases = [
        ("log.csv", "another kind"),
        ("empty.settle", "empty"),
        ("folder.settle", "folder"),
        ("broken.settle", "damaged"),
        ("other.db", "another application"),
    ];
    for (name, word) in cases {
        let before = fs::read(at(name)).ok();
        let error = Notebook::open(at(name)).unwrap_err();
        assert!(
            matches!(error, NotebookError::NotANotebook { .. }),
            "{name}: {error:?}"
        );
        assert!(error.to_string().contains(word), "{name}: {error}");
        assert_eq!(fs::read(at(name)).ok(), before, "{name}");
    }
}

#[test]
fn a_newer_schema_is_refused_with_its_number() {
    let (_folder, notebook) = blank();
    let path = notebook.path().to_path_buf();
    drop(notebook);
    Connection::open(&path)
        .unwrap()
        .pragma_update(None, "user_version", 99)
        .unwrap();
    let error = Notebook::open(&path).unwrap_err();
    let NotebookError::NewerSchema { found, known, .. } = error else {
        panic!("{error:?}")
    };
    assert_eq!((found, known), (99, SCHEMA_VERSION));
    assert!(error.to_string().contains("update settlepoint"), "{error}");
}

/// `tests/data/README.md` says how these files came about.
#[test]
fn a_notebook_of_every_released_schema_opens() {
    let folder = tempfile::tempdir().unwrap();
    for schema in 1..=SCHEMA_VERSION {
        let name = format!("schema-{schema}.settle");
        let kept = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/data")
            .join(&name);
        let path = folder.path().join(&name);
        fs::copy(kept, &path).unwrap();
        let notebook = Notebook::open(&path).unwrap();
        notebook.check().unwrap();
        assert_eq!(notebook.machines().unwrap(), [machine()]);
        assert_eq!(notebook.settings().unwrap(), [setting()]);
        assert_eq!(notebook.runs().unwrap(), [readings_run(), log_run()]);
        assert!(same_log(&notebook.log(id(7)).unwrap(), &log()));
        let raw = notebook.log_info(id(7)).unwrap().raw.unwrap();
        assert_eq!(notebook.raw_file(raw).unwrap(), RAW);
        let frames = notebook.frame_infos(id(6)).unwrap();
        assert_eq!(frames.len(), usize::from(schema >= 2));
        let recorders = notebook.recorders().unwrap();
        assert_eq!(recorders.len(), usize::from(schema >= 3));
        assert!(recorders.iter().all(|r| *r == recorder()));
        for kept in frames {
            assert_eq!(notebook.frames_ms(id(6), kept.position).unwrap(), FRAMES_MS);
        }
    }
}

#[test]
fn a_failed_step_leaves_nothing_and_an_inner_one_only_itself() {
    let (_folder, notebook) = blank();
    let outer: Result<(), NotebookError> = notebook.transaction(|book| {
        book.add_machine(&machine())?;
        let inner: Result<(), NotebookError> = book.transaction(|book| {
            book.add_cooling(&cooling())?;
            Err(NotebookError::Locked)
        });
        assert!(inner.is_err());
        assert!(book.coolings()?.is_empty());
        book.add_tune(&tune())
    });
    outer.unwrap();
    assert_eq!(
        (
            notebook.machines().unwrap().len(),
            notebook.tunes().unwrap().len()
        ),
        (1, 1)
    );

    let failed: Result<(), NotebookError> = notebook.transaction(|book| {
        book.add_cooling(&cooling())?;
        Err(NotebookError::Locked)
    });
    assert!(matches!(failed, Err(NotebookError::Locked)));
    assert!(notebook.coolings().unwrap().is_empty());
}

#[test]
fn a_panic_rolls_back() {
    let (_folder, notebook) = blank();
    let caught = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        notebook.transaction(|book| -> Result<(), NotebookError> {
            book.add_machine(&machine())?;
            panic!("the reader met something unforeseen")
        })
    }));
    assert!(caught.is_err());
    assert!(notebook.machines().unwrap().is_empty());
    notebook.add_machine(&machine()).unwrap();
}

/// The child of [`a_killed_import_leaves_what_was_there_before`]: begins an import, says so by a
/// file and waits to be killed. By itself (without the variable) it has nothing to do.
#[test]
fn child_that_is_killed_within_an_import() {
    let Some(path) = std::env::var_os("SETTLEPOINT_TEST_KILL") else {
        return;
    };
    let notebook = Notebook::open(&path).unwrap();
    let _never: Result<(), NotebookError> = notebook.transaction(|book| {
        book.add_machine(&machine())?;
        // More than SQLite's cache holds, so that pages of the open step reach the file.
        let noise: Vec<u8> = (0_u32..6_000_000)
            .map(|i| {
                i.wrapping_mul(2_654_435_761)
                    .rotate_left(i % 31)
                    .to_be_bytes()[1]
            })
            .collect();
        book.keep_raw_file(&noise[..])?;
        fs::write(Path::new(&path).with_extension("ready"), "").unwrap();
        loop {
            std::thread::sleep(Duration::from_mins(1));
        }
    });
}

#[test]
fn a_killed_import_leaves_what_was_there_before() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let before = notebook.content_hash().unwrap();
    let path = notebook.path().to_path_buf();
    drop(notebook);
    // The child adds machine 1 too: another notebook, so that it can.
    let other = path.with_file_name("other.settle");
    drop(Notebook::create(&other).unwrap());
    let mut child = std::process::Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "child_that_is_killed_within_an_import",
            "--nocapture",
        ])
        .env("SETTLEPOINT_TEST_KILL", &other)
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let ready = other.with_extension("ready");
    for _ in 0..600 {
        if ready.exists() {
            break;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    assert!(ready.exists(), "the child did not begin within 30 s");
    let mut wal = other.as_os_str().to_os_string();
    wal.push("-wal");
    assert!(
        fs::metadata(&wal).unwrap().len() > 1 << 20,
        "nothing had reached the disk"
    );
    child.kill().unwrap();
    child.wait().unwrap();
    let notebook = Notebook::open(&other).unwrap();
    notebook.check().unwrap();
    assert!(notebook.machines().unwrap().is_empty());
    assert!(notebook.raw_files().unwrap().is_empty());
    fill(&notebook);
    assert_eq!(notebook.content_hash().unwrap(), before);
}

/// A log too long for what is left of the disk.
fn long_log() -> SensorLog {
    let rows = 200_000_u32;
    let noise = |i: u32| f64::from(i.wrapping_mul(2_654_435_761) >> 7);
    let values: Vec<f64> = (0..rows).map(noise).collect();
    let channels: Vec<Channel> =
        vec![channel(Role::Power, Unit::Watt, "package", values.clone()); 4];
    SensorLog::new(None, (0..rows).map(f64::from).collect(), true, channels).unwrap()
}

fn full_disk_keeps_what_was_there(notebook: &Notebook) {
    let before = notebook.content_hash().unwrap();
    let result: Result<(), NotebookError> = notebook.transaction(|book| {
        let run = settlepoint_domain::Run {
            id: id(8),
            data: RunData::Log,
            ..readings_run()
        };
        book.add_run(&run)?;
        book.add_log(id(8), &long_log(), &LogSource::default())
    });
    assert!(matches!(result, Err(NotebookError::DiskFull)), "{result:?}");
    assert_eq!(notebook.content_hash().unwrap(), before);
    assert_eq!(notebook.runs().unwrap().len(), 2);
    notebook.check().unwrap();
}

#[test]
fn a_full_notebook_says_so_and_keeps_what_was_there() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    notebook.set_size_limit(400_000).unwrap();
    full_disk_keeps_what_was_there(&notebook);
    notebook.set_size_limit(100_000_000).unwrap();
    notebook
        .add_run(&settlepoint_domain::Run {
            id: id(8),
            ..readings_run()
        })
        .unwrap();
}

/// Runs `test` in a file system of 1 MiB of its own, where mounting one is allowed.
#[cfg(target_os = "linux")]
#[expect(clippy::print_stdout, reason = "a skipped test says so")]
fn on_a_small_disk(test: impl Fn(&Path) + std::panic::RefUnwindSafe) {
    let folder = tempfile::tempdir().unwrap();
    if !mount(&["-t", "tmpfs", "-o", "size=1m", "tmpfs"], folder.path()) {
        println!("skipped: no right to mount a small file system");
        return;
    }
    let outcome = std::panic::catch_unwind(|| test(folder.path()));
    let unmounted = std::process::Command::new("umount")
        .arg(folder.path())
        .status()
        .unwrap();
    assert!(unmounted.success());
    outcome.unwrap();
}

#[cfg(target_os = "linux")]
fn mount(arguments: &[&str], at: &Path) -> bool {
    let mut command = std::process::Command::new("mount");
    command
        .args(arguments)
        .arg(at)
        .stderr(std::process::Stdio::null());
    command.status().is_ok_and(|status| status.success())
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_says_so_and_keeps_what_was_there() {
    on_a_small_disk(|disk| {
        let notebook = Notebook::create(disk.join("a.settle")).unwrap();
        fill(&notebook);
        full_disk_keeps_what_was_there(&notebook);
        // What fits is written again afterwards.
        notebook.exclude_run(id(6), "a window was open").unwrap();
    });
}

#[cfg(target_os = "linux")]
#[test]
fn a_disk_too_full_for_a_notebook_or_an_export_is_left_clean() {
    on_a_small_disk(|disk| {
        let notebook = Notebook::create(disk.join("a.settle")).unwrap();
        fill(&notebook);
        fs::write(disk.join("ballast"), vec![0; 1 << 20]).unwrap_err();
        let before = files_in(disk);
        let error = Notebook::create(disk.join("b.settle")).unwrap_err();
        assert!(matches!(error, NotebookError::DiskFull), "{error:?}");
        let error = notebook.export_csv(disk.join("out")).unwrap_err();
        assert!(matches!(error, NotebookError::DiskFull), "{error:?}");
        assert_eq!(files_in(disk), before);
    });
}

#[cfg(target_os = "linux")]
#[test]
fn a_notebook_on_a_write_protected_disk_opens_to_read() {
    on_a_small_disk(|disk| {
        // A name that a URI must not take literally.
        let path = disk.join("50% of a ?#.settle");
        let notebook = Notebook::create(&path).unwrap();
        fill(&notebook);
        drop(notebook);
        assert!(mount(&["-o", "remount,ro"], disk));
        for notebook in [
            Notebook::open(&path).unwrap(),
            Notebook::open_read_only(&path).unwrap(),
        ] {
            assert_eq!(notebook.runs().unwrap().len(), 2);
            assert!(same_log(&notebook.log(id(7)).unwrap(), &log()));
            let error = notebook.include_run(id(6)).unwrap_err();
            assert!(matches!(error, NotebookError::ReadOnly), "{error:?}");
        }
    });
}

#[test]
fn reading_only_cannot_write() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let reader = Notebook::open_read_only(notebook.path()).unwrap();
    assert!(reader.is_read_only().unwrap());
    assert_eq!(reader.runs().unwrap().len(), 2);
    assert_eq!(
        reader.content_hash().unwrap(),
        notebook.content_hash().unwrap()
    );
    let error = reader.machine_named("laptop").unwrap_err();
    assert!(matches!(error, NotebookError::ReadOnly), "{error:?}");
    let error = reader.include_run(id(6)).unwrap_err();
    assert!(matches!(error, NotebookError::ReadOnly), "{error:?}");
}

#[test]
fn a_write_protected_file_opens_to_read() {
    let (folder, notebook) = blank();
    fill(&notebook);
    let path = notebook.path().to_path_buf();
    drop(notebook);
    let set = |read_only: bool| {
        for file in [&path, &folder.path().to_path_buf()] {
            let mut permissions = fs::metadata(file).unwrap().permissions();
            permissions.set_readonly(read_only);
            fs::set_permissions(file, permissions).unwrap();
        }
    };
    set(true);
    let enforced = fs::OpenOptions::new().append(true).open(&path).is_err();
    if enforced {
        let notebook = Notebook::open(&path).unwrap();
        assert_eq!(notebook.runs().unwrap().len(), 2);
        assert!(matches!(
            notebook.include_run(id(6)),
            Err(NotebookError::ReadOnly)
        ));
    } else {
        println!("skipped: this user may write to protected files");
    }
    set(false);
}

#[test]
fn two_programs_share_a_notebook_but_write_in_turn() {
    let (_folder, writer) = blank();
    fill(&writer);
    let other = Notebook::open(writer.path()).unwrap();
    other.set_busy_timeout(Duration::from_millis(20)).unwrap();
    writer
        .transaction(|book| -> Result<(), NotebookError> {
            book.exclude_run(id(6), "a window was open")?;
            // The other one reads the state before, and is told that it cannot write now.
            assert_eq!(other.runs()?, [readings_run(), log_run()]);
            let error = other.include_run(id(6)).unwrap_err();
            assert!(matches!(error, NotebookError::Locked), "{error:?}");
            Ok(())
        })
        .unwrap();
    assert!(other.run(id(6)).unwrap().excluded.is_some());
    other.include_run(id(6)).unwrap();
    assert_eq!(writer.run(id(6)).unwrap(), readings_run());
}

#[test]
fn a_changed_sample_block_or_raw_file_is_noticed() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let raw = notebook.log_info(id(7)).unwrap().raw.unwrap();
    let other = Connection::open(notebook.path()).unwrap();
    // Time's block in place of the power's: it unpacks, but is not what was kept.
    other
        .execute_batch(
            "UPDATE sample_blocks SET deflated = (SELECT deflated FROM sample_blocks \
             WHERE position = -1) WHERE position = 0; \
             UPDATE raw_chunks SET deflated = x'030000'",
        )
        .unwrap();
    let error = notebook.log(id(7)).unwrap_err();
    assert!(matches!(error, NotebookError::Corrupt { .. }), "{error:?}");
    let error = notebook.raw_file(raw).unwrap_err();
    assert!(matches!(error, NotebookError::Corrupt { .. }), "{error:?}");
}

#[test]
fn overwritten_pages_are_damage_not_a_crash() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let path = notebook.path().to_path_buf();
    drop(notebook);
    let mut bytes = fs::read(&path).unwrap();
    // All but the first page, which holds the table of contents' root.
    bytes[4096..].fill(0x5A);
    fs::write(&path, bytes).unwrap();
    let error = Notebook::open(&path)
        .and_then(|notebook| notebook.check())
        .unwrap_err();
    assert!(matches!(error, NotebookError::Corrupt { .. }), "{error:?}");
}
