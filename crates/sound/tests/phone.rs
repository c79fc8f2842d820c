//! Compressed recordings. The file is made here: FLAC with its samples written out (verbatim
//! subframes), after RFC 9639, so that no foreign encoder stands between the test and the level.
#![cfg(feature = "phone-formats")]
#![expect(
    clippy::cast_possible_truncation,
    reason = "the tests' own files are short"
)]

mod support;

use std::io::Cursor;

use settlepoint_sound::analysis::{Options, analyse};
use settlepoint_sound::pcm::open;
use support::sine;

/// Frames in a block.
const BLOCK: usize = 4096;

/// RFC 9639, 9.1.8: polynomial x^8 + x^2 + x + 1.
fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |crc: u8, b| {
        (0..8).fold(crc ^ b, |c, _| {
            if c & 0x80 == 0 {
                c << 1
            } else {
                (c << 1) ^ 0x07
            }
        })
    })
}

/// RFC 9639, 9.3: polynomial x^16 + x^15 + x^2 + 1.
fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0, |crc: u16, b| {
        (0..8).fold(crc ^ (u16::from(*b) << 8), |c, _| {
            if c & 0x8000 == 0 {
                c << 1
            } else {
                (c << 1) ^ 0x8005
            }
        })
    })
}

/// A mono FLAC of 48 kHz and 16 bits; blocks are whole, and there are fewer than 128 of them.
fn flac(samples: &[f64]) -> Vec<u8> {
    let blocks = samples.len() / BLOCK;
    let total = (blocks * BLOCK) as u32;
    let mut out = b"fLaC\x80\x00\x00\x22".to_vec();
    // STREAMINFO: block sizes, frame sizes unknown, rate (20 bits), channels - 1 (3), bits - 1 (5), total
    // (36), no MD5.
    out.extend([0x10, 0x00, 0x10, 0x00, 0, 0, 0, 0, 0, 0]);
    out.extend(((48_000_u32 << 12) | (15 << 4)).to_be_bytes());
    out.extend(total.to_be_bytes());
    out.extend([0; 16]);
    for (number, block) in samples.chunks_exact(BLOCK).enumerate() {
        // Sync, fixed block size; 4096 samples, 48 kHz; mono, 16 bits; the number in one byte.
        let mut frame = vec![0xFF, 0xF8, 0xCA, 0x08, number as u8];
        frame.push(crc8(&frame));
        // Verbatim subframe.
        frame.push(0x02);
        for x in block {
            frame.extend(((x * 32_768.0).round() as i16).to_be_bytes());
        }
        frame.extend(crc16(&frame).to_be_bytes());
        out.extend(frame);
    }
    out
}

#[test]
fn flac_has_its_level_on_both_passes() {
    let x = sine(48_000.0, 10.0, 1000.0, -12.0);
    let mut source = open(Cursor::new(flac(&x))).unwrap();
    let analysis = analyse(source.as_mut(), &Options::default()).unwrap();
    // The bound for signals of known level.
    assert!((analysis.levels.laeq_db + 12.0).abs() < 0.05);
    assert_eq!(analysis.recording.frames, 117 * BLOCK as u64);
    assert!(!analysis.recording.format.lossy);
    // The spectrum comes from a second pass: the tone is there.
    assert!(analysis.tones.iter().any(|t| (t.hz - 1000.0).abs() < 0.5));
}

#[test]
fn a_cut_or_damaged_file_says_so() {
    let x = sine(48_000.0, 10.0, 1000.0, -12.0);
    let whole = flac(&x);
    let cut = whole[..whole.len() / 2].to_vec();
    let mut source = open(Cursor::new(cut)).unwrap();
    let analysis = analyse(source.as_mut(), &Options::default()).unwrap();
    let rules: Vec<_> = analysis.recording.oddities.iter().map(|o| o.rule).collect();
    assert!(rules.contains(&"cut_off"), "{rules:?}");
    let refused = |bytes: &[u8]| match open(Cursor::new(bytes.to_vec())) {
        Ok(_) => String::new(),
        Err(error) => error.to_string(),
    };
    for bytes in [
        &whole[..20],
        b"OggSnothing of the kind follows here".as_slice(),
    ] {
        let said = refused(bytes);
        assert!(
            said.contains("copy the file again") || said.contains("WAV"),
            "{said}"
        );
    }
}
