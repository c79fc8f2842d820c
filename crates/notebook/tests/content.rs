//! What goes in comes out.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod common;

use common::*;
use proptest::prelude::*;
use settlepoint_domain::{
    Channel, Cooling, FanSetting, Finding, LimitValue, LogStart, Machine, Role, RunData, Score,
    ScoreTime, SensorLog, Setting, Severity, Tier, TimeOrigin, Tune, Unit, Workload, Zone,
};
use settlepoint_notebook::{FrameSource, Kind, LogSource, Notebook, NotebookError, RawHash};

#[test]
fn everything_comes_back_after_reopening() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let path = notebook.path().to_path_buf();
    drop(notebook);
    let notebook = Notebook::open(path).unwrap();
    notebook.check().unwrap();
    assert_eq!(notebook.machines().unwrap(), [machine()]);
    assert_eq!(notebook.coolings().unwrap(), [cooling()]);
    assert_eq!(notebook.tunes().unwrap(), [tune()]);
    assert_eq!(notebook.settings().unwrap(), [setting()]);
    assert_eq!(notebook.workloads().unwrap(), [workload()]);
    assert_eq!(notebook.runs().unwrap(), [readings_run(), log_run()]);
    assert!(same_log(&notebook.log(id(7)).unwrap(), &log()));
    let info = notebook.log_info(id(7)).unwrap();
    assert_eq!(
        (info.source_name.as_str(), info.recipe.as_str()),
        ("bench.csv", "power = column 2")
    );
    assert_eq!((info.row_count, info.recording), (4, false));
    assert_eq!(notebook.raw_file(info.raw.unwrap()).unwrap(), RAW);
}

#[test]
fn a_machine_has_a_package_and_the_parts_its_logs_name() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let names: Vec<_> = notebook
        .parts(id(1))
        .unwrap()
        .into_iter()
        .map(|p| p.name)
        .collect();
    assert_eq!(names, ["package", "graphics"]);
}

/// Published check value: FIPS 180-4 examples, "abc".
#[test]
fn raw_files_are_kept_once_under_their_sha256() {
    let (_folder, notebook) = blank();
    let hash = notebook.keep_raw_bytes(b"abc").unwrap();
    assert_eq!(
        hash.to_string(),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
    assert_eq!(hash.to_string().parse(), Ok(hash));
    assert_eq!(notebook.keep_raw_file(&b"abc"[..]).unwrap(), hash);
    assert_eq!(notebook.keep_raw_bytes(b"abc").unwrap(), hash);
    assert_eq!(notebook.raw_files().unwrap().len(), 1);
    assert_eq!(notebook.raw_file(hash).unwrap(), b"abc");
}

#[test]
fn long_raw_files_span_chunks() {
    let (_folder, notebook) = blank();
    // Longer than two chunks of 1 MiB, not a whole number of them, and hard to pack.
    let mut state = 1_u32;
    let bytes: Vec<u8> = std::iter::repeat_with(|| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        state.to_be_bytes()[0]
    })
    .take(2_500_001)
    .collect();
    let hash = notebook.keep_raw_file(&bytes[..]).unwrap();
    assert_eq!(hash, RawHash::of(&bytes));
    assert_eq!(notebook.raw_info(hash).unwrap(), Some(2_500_001));
    assert!(notebook.raw_file(hash).unwrap() == bytes);
}

#[test]
fn a_failing_source_keeps_nothing() {
    struct Broken;
    impl std::io::Read for Broken {
        fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
            Err(std::io::Error::other("the stick was pulled out"))
        }
    }
    let (_folder, notebook) = blank();
    let source = std::io::Read::chain(&b"some bytes"[..], Broken);
    let error = notebook.keep_raw_file(source).unwrap_err();
    assert!(
        error.to_string().contains("the stick was pulled out"),
        "{error}"
    );
    assert!(notebook.raw_files().unwrap().is_empty());
    assert_eq!(
        notebook.keep_raw_bytes(b"abc").unwrap(),
        RawHash::of(b"abc")
    );
}

#[test]
fn names_find_things_and_say_what_there_is() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    assert_eq!(notebook.id_of(Kind::Machine, "tower").unwrap(), id(1));
    assert_eq!(
        notebook.id_of(Kind::Run, &id(7).to_string()).unwrap(),
        id(7)
    );
    let error = notebook.id_of(Kind::Workload, "kompile").unwrap_err();
    assert!(error.to_string().contains("there is compile"), "{error}");
    notebook.rename(Kind::Run, id(7), "first, by hand").unwrap();
    let error = notebook.id_of(Kind::Run, "first, by hand").unwrap_err();
    assert!(
        matches!(&error, NotebookError::AmbiguousName { ids, .. } if ids.len() == 2),
        "{error}"
    );
}

#[test]
fn named_things_are_made_once() {
    let (_folder, notebook) = blank();
    let tower = notebook.machine_named("tower").unwrap();
    let laptop = notebook.machine_named("laptop").unwrap();
    let stock = notebook.cooling_named(tower.id, "stock").unwrap();
    assert_eq!(notebook.cooling_named(tower.id, "stock").unwrap(), stock);
    assert_ne!(
        notebook.cooling_named(laptop.id, "stock").unwrap().id,
        stock.id
    );
    let tune = notebook.tune_named(tower.id, "none").unwrap();
    assert_eq!(notebook.tune_named(tower.id, "none").unwrap(), tune);
    assert_eq!(notebook.workload_named(&workload()).unwrap(), workload());
    let other = settlepoint_domain::Workload {
        id: id(99),
        ..workload()
    };
    assert_eq!(notebook.workload_named(&other).unwrap(), workload());
    let named = notebook.setting_named("65 W").unwrap();
    assert_eq!(named.pl1_w, LimitValue::Unknown);
    assert_eq!(notebook.setting_named("65 W").unwrap(), named);
}

#[test]
fn what_is_noted_can_be_corrected() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let tower = Machine {
        model: "T-200".into(),
        serial: "17".into(),
        ..machine()
    };
    notebook.update_machine(&tower).unwrap();
    let quiet = Cooling {
        fan_max_rpm: None,
        notes: "new paste".into(),
        ..cooling()
    };
    notebook.update_cooling(&quiet).unwrap();
    let lower = Tune {
        name: "-70 mV".into(),
        ..tune()
    };
    notebook.update_tune(&lower).unwrap();
    let weekly = Workload {
        hours_per_week: None,
        weight: Some(2.5),
        idle: true,
        ..workload()
    };
    notebook.update_workload(&weekly).unwrap();
    notebook.set_room(id(7), Some(23.0), Some(540.0)).unwrap();
    assert_eq!(notebook.machines().unwrap(), [tower]);
    assert_eq!(notebook.coolings().unwrap(), [quiet]);
    assert_eq!(notebook.tunes().unwrap(), [lower]);
    assert_eq!(notebook.workloads().unwrap(), [weekly]);
    let run = notebook.run(id(7)).unwrap();
    assert_eq!((run.room_c, run.altitude_m), (Some(23.0), Some(540.0)));

    let stranger = Cooling {
        machine: id(9),
        ..cooling()
    };
    assert!(matches!(
        notebook.update_cooling(&stranger),
        Err(NotebookError::UnknownId { .. })
    ));
    assert!(matches!(
        notebook.set_room(id(9), None, None),
        Err(NotebookError::UnknownId { .. })
    ));
}

#[test]
fn settings_are_the_same_only_if_all_their_numbers_are() {
    let (_folder, notebook) = blank();
    notebook.setting_like(&setting()).unwrap();
    let twin = Setting {
        id: id(50),
        ..setting()
    };
    assert_eq!(notebook.setting_like(&twin).unwrap().id, setting().id);
    let hotter = Setting {
        id: id(51),
        temp_limit_c: LimitValue::Automatic,
        ..setting()
    };
    assert_eq!(notebook.setting_like(&hotter).unwrap().id, id(51));
}

#[test]
fn a_run_needs_what_it_refers_to() {
    let (_folder, notebook) = blank();
    let error = notebook.add_run(&readings_run()).unwrap_err();
    assert!(
        matches!(
            error,
            NotebookError::UnknownId {
                kind: "machine",
                ..
            }
        ),
        "{error}"
    );
    fill(&notebook);
    let other = notebook.machine_named("laptop").unwrap();
    let stranger = notebook.cooling_named(other.id, "stock").unwrap();
    let run = settlepoint_domain::Run {
        id: id(8),
        cooling: stranger.id,
        ..readings_run()
    };
    let error = notebook.add_run(&run).unwrap_err();
    assert!(
        matches!(
            error,
            NotebookError::UnknownId {
                kind: "cooling",
                ..
            }
        ),
        "{error}"
    );
    let error = notebook.add_run(&readings_run()).unwrap_err();
    assert!(
        matches!(error, NotebookError::DuplicateId { kind: "run", .. }),
        "{error}"
    );
}

#[test]
fn a_run_has_one_log() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    for run in [id(6), id(7)] {
        let error = notebook
            .add_log(run, &log(), &LogSource::default())
            .unwrap_err();
        assert!(
            matches!(error, NotebookError::LogMismatch { .. }),
            "{error}"
        );
    }
    let error = notebook.log(id(6)).unwrap_err();
    assert!(
        matches!(error, NotebookError::UnknownId { kind: "log", .. }),
        "{error}"
    );
}

#[test]
fn numbers_that_are_none_are_refused() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let run = settlepoint_domain::Run {
        id: id(8),
        room_c: Some(f64::NAN),
        ..readings_run()
    };
    let error = notebook.add_run(&run).unwrap_err();
    assert!(error.to_string().starts_with("room_c"), "{error}");
    let wild = Setting {
        id: id(9),
        pl1_w: LimitValue::Value(-1.0),
        ..setting()
    };
    assert!(matches!(
        notebook.add_setting(&wild),
        Err(NotebookError::Setting(_))
    ));
    let curve = FanSetting::Curve(vec![(40.0, 600.0), (50.0, f64::INFINITY)]);
    let wild = Setting {
        id: id(9),
        fan: curve,
        ..setting()
    };
    assert!(matches!(
        notebook.add_setting(&wild),
        Err(NotebookError::Invalid { .. })
    ));
    assert_eq!(notebook.runs().unwrap().len(), 2);
    assert_eq!(notebook.settings().unwrap().len(), 1);
}

#[test]
fn runs_are_left_out_with_a_reason_and_taken_in_again() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    notebook.exclude_run(id(6), "a window was open").unwrap();
    assert_eq!(
        notebook.run(id(6)).unwrap().excluded.as_deref(),
        Some("a window was open")
    );
    assert!(notebook.exclude_run(id(6), " ").is_err());
    notebook.include_run(id(6)).unwrap();
    assert_eq!(notebook.run(id(6)).unwrap(), readings_run());
    assert!(matches!(
        notebook.include_run(id(60)),
        Err(NotebookError::UnknownId { .. })
    ));
}

#[test]
fn a_removed_run_takes_its_log_and_raw_file_with_it() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    notebook.remove_run(id(7)).unwrap();
    assert_eq!(notebook.runs().unwrap(), [readings_run()]);
    assert!(notebook.log(id(7)).is_err());
    assert!(notebook.raw_files().unwrap().is_empty());
    notebook.check().unwrap();
}

#[test]
fn scores_are_added_after_those_there_are() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let second = Score {
        value: 180.0,
        repetition: 2,
        order: None,
        block: Some("evening".into()),
        time: Some(ScoreTime {
            seconds: 68_400.25,
            origin: TimeOrigin::Midnight,
        }),
    };
    notebook
        .add_scores(id(6), std::slice::from_ref(&second))
        .unwrap();
    let scores = notebook.run(id(6)).unwrap().scores;
    assert_eq!(scores, [readings_run().scores[0].clone(), second]);
}

/// A thousand frames more than a block, none like another.
fn frames_ms() -> Vec<f64> {
    (0..66_536_u32).map(|i| 8.0 + f64::from(i).sqrt()).collect()
}

#[test]
fn frame_times_are_kept_bit_for_bit_and_removed_with_their_run() {
    let (folder, notebook) = blank();
    fill(&notebook);
    let raw = notebook.keep_raw_bytes(b"ms\n8\n").unwrap();
    let source = FrameSource {
        name: "session.csv",
        reading: "column 1 in ms",
        raw: Some(raw),
    };
    assert_eq!(
        notebook.add_frames(id(6), &frames_ms(), &source).unwrap(),
        0
    );
    assert_eq!(notebook.add_frames(id(6), &[8.5], &source).unwrap(), 1);
    let infos = notebook.frame_infos(id(6)).unwrap();
    assert_eq!((infos.len(), infos[0].frame_count), (2, 66_536));
    assert_eq!(infos[0].reading, "column 1 in ms");
    let back = notebook.frames_ms(id(6), 0).unwrap();
    let bits = |list: &[f64]| list.iter().map(|t| t.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(&back), bits(&frames_ms()));
    assert_eq!(notebook.run_of_frame_file(raw).unwrap(), Some(id(6)));
    assert!(notebook.add_frames(id(6), &[], &source).is_err());
    assert!(notebook.add_frames(id(6), &[f64::NAN], &source).is_err());
    assert!(notebook.add_frames(id(60), &[8.0], &source).is_err());
    assert!(notebook.frames_ms(id(6), 2).is_err());
    let tables = folder.path().join("tables");
    notebook.export_csv(&tables).unwrap();
    let written = std::fs::read_to_string(tables.join("frames-002-first--by-hand.csv")).unwrap();
    assert_eq!(written, "frame_time_ms\n8.5\n");
    notebook.export_json(folder.path().join("whole")).unwrap();
    let merged = Notebook::create(folder.path().join("merged.settle")).unwrap();
    merged.merge_from(&notebook).unwrap();
    assert_eq!(
        merged.content_hash().unwrap(),
        notebook.content_hash().unwrap()
    );
    assert_eq!(bits(&merged.frames_ms(id(6), 0).unwrap()), bits(&back));
    notebook.remove_run(id(6)).unwrap();
    notebook.remove_run(id(7)).unwrap();
    assert!(notebook.raw_files().unwrap().is_empty());
    notebook.check().unwrap();
}

/// What a later schema can hold but a notebook does not changes nothing about it.
#[test]
fn frames_that_one_notebook_has_and_another_has_not_are_a_difference() {
    let ((_a, ours), (_b, theirs)) = (blank(), blank());
    fill(&ours);
    fill(&theirs);
    assert_eq!(ours.content_hash().unwrap(), theirs.content_hash().unwrap());
    theirs
        .add_frames(id(6), &[8.5, 9.0], &FrameSource::default())
        .unwrap();
    for (into, from) in [(&ours, &theirs), (&theirs, &ours)] {
        let report = into.merge_from(from).unwrap();
        assert_eq!(report.conflicts[0].differs, ["frame_logs"]);
    }
}

#[test]
fn findings_are_replaced_and_fits_found_by_inputs_and_version() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let finding = Finding {
        rule: "not_settled",
        severity: Severity::Warning,
        run: None,
        evidence: "still rising 0.4 K a minute".into(),
        remedy: "run ten minutes longer".into(),
    };
    notebook
        .set_findings(id(7), &[finding.clone(), finding.clone()])
        .unwrap();
    notebook.set_findings(id(7), &[finding]).unwrap();
    let kept = notebook.findings(id(7)).unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!(
        (kept[0].rule.as_str(), kept[0].severity),
        ("not_settled", Severity::Warning)
    );

    notebook.put_fit(&[7; 32], "0.1.0", "{}").unwrap();
    notebook.put_fit(&[7; 32], "0.1.0", "{\"a\":1}").unwrap();
    assert_eq!(
        notebook.fit(&[7; 32], "0.1.0").unwrap().as_deref(),
        Some("{\"a\":1}")
    );
    assert_eq!(notebook.fit(&[7; 32], "0.2.0").unwrap(), None);
    assert_eq!(notebook.drop_stale_fits("0.2.0").unwrap(), 1);
    assert_eq!(notebook.fit(&[7; 32], "0.1.0").unwrap(), None);
}

#[test]
fn a_recording_gives_the_log_it_recorded() {
    let (_folder, notebook) = blank();
    fill(&notebook);
    let run = settlepoint_domain::Run {
        id: id(8),
        data: RunData::Log,
        ..readings_run()
    };
    notebook.add_run(&run).unwrap();
    let (log, source) = (
        log(),
        LogSource {
            name: "hwmon",
            ..LogSource::default()
        },
    );
    notebook
        .begin_recording(id(8), log.start(), log.channels(), &source)
        .unwrap();
    for row in 0..log.len() {
        let readings: Vec<f64> = log.channels().iter().map(|c| c.values[row]).collect();
        notebook
            .record(id(8), &[(log.time_s()[row], readings)])
            .unwrap();
    }
    // A sample before the last one is refused and leaves the rest.
    assert!(matches!(
        notebook.record(id(8), &[(1.0, [0.0, 0.0])]),
        Err(NotebookError::Log(_))
    ));
    assert!(matches!(
        notebook.record(id(8), &[(9.0, [0.0])]),
        Err(NotebookError::Log(_))
    ));
    assert_eq!(notebook.unfinished_recordings().unwrap(), [id(8)]);
    assert!(same_log(&notebook.log(id(8)).unwrap(), &log));

    assert!(same_log(&notebook.finish_recording(id(8)).unwrap(), &log));
    assert!(notebook.unfinished_recordings().unwrap().is_empty());
    assert!(same_log(&notebook.log(id(8)).unwrap(), &log));
    assert!(notebook.record(id(8), &[(9.0, [0.0, 0.0])]).is_err());
}

fn limit(lo: f64, hi: f64) -> impl Strategy<Value = LimitValue> {
    prop_oneof![
        Just(LimitValue::Unknown),
        Just(LimitValue::Automatic),
        Just(LimitValue::Unlimited),
        (lo..hi).prop_map(LimitValue::Value),
        // Whole watts are the usual case, and SQL likes to make integers of them.
        (1_u32..100).prop_map(|v| LimitValue::Value(f64::from(v))),
    ]
}

fn fan() -> impl Strategy<Value = FanSetting> {
    prop_oneof![
        Just(FanSetting::AsFitted),
        (0.0..5000.0).prop_map(FanSetting::Ceiling),
        (0_u32..5000).prop_map(|rpm| FanSetting::Fixed(f64::from(rpm))),
        prop::collection::vec((0.0..110.0, 0.0..5000.0), 0..5).prop_map(FanSetting::Curve),
    ]
}

prop_compose! {
    fn any_setting()(
        name in ".{0,12}",
        pl1_w in limit(0.1, 5000.0),
        pl2_w in limit(0.1, 5000.0),
        tau_s in limit(0.0, 86_400.0),
        temp_limit_c in limit(0.0, 200.0),
        tiers in prop::collection::vec((0.1..5000.0, 0.0..86_400.0), 0..3),
        fan in fan(),
    ) -> Setting {
        let tier = |(limit_w, window_s)| Tier { limit_w, window_s };
        let more_tiers = tiers.into_iter().map(tier).collect();
        Setting { id: id(77), name, pl1_w, pl2_w, tau_s, temp_limit_c, more_tiers, fan }
    }
}

fn reading() -> impl Strategy<Value = f64> {
    prop_oneof![
        Just(f64::NAN),
        Just(-0.0),
        -1e300..1e300,
        prop::num::f64::SUBNORMAL
    ]
}

prop_compose! {
    fn any_log()(rows in 1_usize..40)(
        steps in prop::collection::vec(prop_oneof![Just(0.0), 0.0..10.0], rows),
        columns in prop::collection::vec((prop::collection::vec(reading(), rows), ".{0,9}"), 0..4),
        start in prop::option::of((any::<i128>(), prop::option::of(".{0,6}"))),
        time_known in any::<bool>(),
    ) -> SensorLog {
        let time_s = steps.iter().scan(0.0, |t, step| { *t += step; Some(*t) }).collect();
        let channels: Vec<Channel> = columns
            .into_iter()
            .map(|(values, part)| channel(Role::Other, Unit::None, &part, values))
            .collect();
        let start = start.map(|(unix_ns, zone)| LogStart {
            unix_ns,
            zone: zone.map_or(Zone::Unknown, Zone::Known),
        });
        SensorLog::new(start, time_s, time_known, channels).unwrap()
    }
}

proptest! {
    // Each case writes a file with full synchronisation; 48 keep the test within seconds.
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_setting_and_log_come_back(setting in any_setting(), log in any_log()) {
        let (_folder, notebook) = blank();
        notebook.add_setting(&setting).unwrap();
        prop_assert_eq!(notebook.setting(id(77)).unwrap(), setting);
        fill(&notebook);
        let run = settlepoint_domain::Run { id: id(8), data: RunData::Log, ..readings_run() };
        notebook.add_run(&run).unwrap();
        notebook.add_log(id(8), &log, &LogSource::default()).unwrap();
        prop_assert!(same_log(&notebook.log(id(8)).unwrap(), &log));
    }
}
