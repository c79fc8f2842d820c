//! Files of every form, and files that are wrong.

#![expect(
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    reason = "the tests' own files are short"
)]

mod support;

use std::io::Cursor;

use settlepoint_sound::SoundError;
use settlepoint_sound::measure::measure;
use settlepoint_sound::pcm::{Container, Source as _, Wav};
use support::{Coding, fmt_chunk, open, rf64, sine, w64, wav};

fn tone() -> Vec<f64> {
    sine(48_000.0, 1.0, 1000.0, -12.0)
}

fn refused(bytes: Vec<u8>) -> String {
    match Wav::open(Cursor::new(bytes)) {
        Ok(mut wav) => measure(&mut wav).unwrap_err().to_string(),
        Err(error) => error.to_string(),
    }
}

#[test]
fn the_64_bit_forms_are_read() {
    for (bytes, container) in [
        (
            rf64(48_000, &[tone(), tone()], Coding::I24),
            Container::Rf64,
        ),
        (w64(48_000, &[tone()], Coding::I16), Container::W64),
    ] {
        let mut file = open(bytes);
        assert_eq!(file.container(), container);
        assert_eq!(file.frames(), 48_000);
        let recording = measure(&mut file).unwrap();
        assert!((recording.track.levels(&[]).laeq_db + 12.0).abs() < 0.05);
        assert!(recording.oddities.is_empty(), "{:?}", recording.oddities);
    }
}

#[test]
fn other_chunks_and_extensible_formats_are_passed_over() {
    let plain = wav(48_000, &[tone()], Coding::I16);
    let mut fmt = fmt_chunk(48_000, 1, Coding::I16);
    let tag = fmt[0..2].to_vec();
    fmt[0..2].copy_from_slice(&0xFFFE_u16.to_le_bytes());
    fmt.extend(22_u16.to_le_bytes());
    fmt.extend([16, 0, 4, 0, 0, 0]);
    fmt.extend(tag);
    fmt.extend([0; 14]);
    let mut bytes = b"RIFF\0\0\0\0WAVEbext".to_vec();
    bytes.extend(7_u32.to_le_bytes());
    bytes.extend([65; 8]);
    bytes.extend(b"fmt ");
    bytes.extend((fmt.len() as u32).to_le_bytes());
    bytes.extend(fmt);
    bytes.extend(&plain[36..]);
    bytes.extend(b"LIST\x04\0\0\0abcd");
    let mut file = open(bytes);
    assert_eq!(file.frames(), 48_000);
    assert!(file.oddities().is_empty());
    measure(&mut file).unwrap();
}

#[test]
fn many_channels_and_odd_numbers_of_them() {
    let channels = vec![tone(), tone(), tone()];
    let recording = measure(&mut open(wav(48_000, &channels, Coding::I16))).unwrap();
    assert_eq!(recording.channels.len(), 3);
    assert!((recording.track.levels(&[]).laeq_db + 12.0).abs() < 0.05);
}

#[test]
fn a_length_that_lies_is_told_and_lived_with() {
    let good = wav(48_000, &[tone()], Coding::I16);
    let with_length = |length: u32| {
        let mut bytes = good.clone();
        bytes[40..44].copy_from_slice(&length.to_le_bytes());
        measure(&mut open(bytes)).unwrap()
    };
    for (length, rule) in [
        (0, "length_not_written"),
        (u32::MAX, "length_not_written"),
        (500_000, "cut_off"),
        (48_000, "length_too_small"),
    ] {
        let recording = with_length(length);
        assert_eq!(recording.frames, 48_000, "{length}");
        assert_eq!(recording.oddities[0].rule, rule, "{length}");
    }
    let cut = good[..good.len() - 20_001].to_vec();
    let recording = measure(&mut open(cut)).unwrap();
    assert_eq!(recording.frames, 37_999);
    assert_eq!(recording.oddities[0].rule, "cut_off");
}

#[test]
fn wrong_files_say_what_they_are_and_what_to_do() {
    let good = wav(48_000, &[tone()], Coding::I16);
    let patched = |at: usize, bytes: &[u8]| {
        let mut all = good.clone();
        all[at..at + bytes.len()].copy_from_slice(bytes);
        all
    };
    for (bytes, words) in [
        (Vec::new(), "the file is empty; record again"),
        (
            good[..6].to_vec(),
            "ends within its header; copy the file again",
        ),
        (
            good[..30].to_vec(),
            "ends within its header; copy the file again",
        ),
        (
            good[..36].to_vec(),
            "ends before its samples begin (no 'data' chunk)",
        ),
        (good[..44].to_vec(), "holds no samples"),
        (
            patched(22, &[0, 0]),
            "the header says 0 channels; save the recording again",
        ),
        (patched(24, &[0; 4]), "the header says 0 samples a second"),
        (
            patched(24, &1_000_u32.to_le_bytes()),
            "1000 samples a second; record with 8000 to 192000",
        ),
        (patched(32, &[3, 0]), "bits of room"),
        (patched(34, &[12, 0]), ""),
        (
            patched(20, &[0x55, 0]),
            "compressed sound (format 0x0055); save as PCM",
        ),
        (patched(8, b"AVI "), "holds 'AVI\\x20', not sound"),
        (
            b"fLaC\0\0\0\x22aaaaaaaaaaaa".to_vec(),
            "not a WAV file but a FLAC file",
        ),
        (
            b"\0\0\0\x20ftypM4A aaaaaaaa".to_vec(),
            "an MP4 file (M4A, phone recording)",
        ),
        (
            b"time,watts\n1,2\n3,4\n".to_vec(),
            "neither RIFF nor W64: the first bytes are 'time,wat'",
        ),
        (b"RIFX\0\0\0\0WAVE".to_vec(), "big-endian"),
    ] {
        if words.is_empty() {
            // 12 valid bits in 16 are fine.
            measure(&mut open(bytes)).unwrap();
            continue;
        }
        let message = refused(bytes);
        assert!(message.contains(words), "{message} / {words}");
    }
}

#[test]
fn samples_that_are_no_numbers_are_placed() {
    let mut right = tone();
    right[4321] = f64::NAN;
    for coding in [Coding::F32, Coding::F64] {
        let error = measure(&mut open(wav(48_000, &[tone(), right.clone()], coding))).unwrap_err();
        assert!(
            matches!(
                error,
                SoundError::NotANumber {
                    frame: 4321,
                    channel: 2,
                    ..
                }
            ),
            "{error}"
        );
        assert!(
            error
                .to_string()
                .contains("frame 4321 (0.090 s) of channel 2")
        );
    }
}

#[test]
fn a_blink_is_too_short() {
    let message = refused(wav(48_000, &[tone()[..4000].to_vec()], Coding::I16));
    assert!(
        message.contains("0.08 s of sound is too little"),
        "{message}"
    );
}
