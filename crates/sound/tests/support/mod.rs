//! Sounds made for the tests, and files around them.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part")]
#![allow(
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the tests' own sounds are short and their samples within range"
)]

use std::io::Cursor;

use settlepoint_stats::random::Random;

/// Samples of a file, interleaved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coding {
    U8,
    I16,
    I24,
    I32,
    F32,
    F64,
}

impl Coding {
    fn bits(self) -> u16 {
        match self {
            Self::U8 => 8,
            Self::I16 => 16,
            Self::I24 => 24,
            Self::I32 | Self::F32 => 32,
            Self::F64 => 64,
        }
    }

    fn tag(self) -> u16 {
        if matches!(self, Self::F32 | Self::F64) {
            3
        } else {
            1
        }
    }

    fn put(self, x: f64, out: &mut Vec<u8>) {
        let scaled = |full: f64| (x * full).round().clamp(-full, full - 1.0);
        match self {
            Self::U8 => out.push((scaled(128.0) + 128.0) as u8),
            Self::I16 => out.extend((scaled(32_768.0) as i16).to_le_bytes()),
            Self::I24 => out.extend(&(scaled(8_388_608.0) as i32).to_le_bytes()[..3]),
            Self::I32 => out.extend((scaled(2_147_483_648.0) as i32).to_le_bytes()),
            Self::F32 => out.extend((x as f32).to_le_bytes()),
            Self::F64 => out.extend(x.to_le_bytes()),
        }
    }
}

pub fn fmt_chunk(rate_hz: u32, channels: u16, coding: Coding) -> Vec<u8> {
    let frame = channels * coding.bits() / 8;
    let mut out = Vec::new();
    out.extend(coding.tag().to_le_bytes());
    out.extend(channels.to_le_bytes());
    out.extend(rate_hz.to_le_bytes());
    out.extend((rate_hz * u32::from(frame)).to_le_bytes());
    out.extend(frame.to_le_bytes());
    out.extend(coding.bits().to_le_bytes());
    out
}

pub fn data_bytes(channels: &[Vec<f64>], coding: Coding) -> Vec<u8> {
    let mut out = Vec::new();
    for i in 0..channels[0].len() {
        for c in channels {
            coding.put(c[i], &mut out);
        }
    }
    out
}

/// A WAV file of these channels.
pub fn wav(rate_hz: u32, channels: &[Vec<f64>], coding: Coding) -> Vec<u8> {
    let data = data_bytes(channels, coding);
    let fmt = fmt_chunk(rate_hz, channels.len() as u16, coding);
    let mut out = b"RIFF".to_vec();
    out.extend((4 + 8 + fmt.len() as u32 + 8 + data.len() as u32).to_le_bytes());
    out.extend(b"WAVEfmt ");
    out.extend((fmt.len() as u32).to_le_bytes());
    out.extend(&fmt);
    out.extend(b"data");
    out.extend((data.len() as u32).to_le_bytes());
    out.extend(data);
    out
}

/// The same as RF64.
pub fn rf64(rate_hz: u32, channels: &[Vec<f64>], coding: Coding) -> Vec<u8> {
    let data = data_bytes(channels, coding);
    let fmt = fmt_chunk(rate_hz, channels.len() as u16, coding);
    let mut out = b"RF64".to_vec();
    out.extend(u32::MAX.to_le_bytes());
    out.extend(b"WAVEds64");
    out.extend(28_u32.to_le_bytes());
    out.extend((data.len() as u64 + 72).to_le_bytes());
    out.extend((data.len() as u64).to_le_bytes());
    out.extend((channels[0].len() as u64).to_le_bytes());
    out.extend(0_u32.to_le_bytes());
    out.extend(b"fmt ");
    out.extend((fmt.len() as u32).to_le_bytes());
    out.extend(&fmt);
    out.extend(b"data");
    out.extend(u32::MAX.to_le_bytes());
    out.extend(data);
    out
}

/// The same as W64.
pub fn w64(rate_hz: u32, channels: &[Vec<f64>], coding: Coding) -> Vec<u8> {
    const TAIL: [u8; 12] = [
        0xF3, 0xAC, 0xD3, 0x11, 0x8C, 0xD1, 0x00, 0xC0, 0x4F, 0x8E, 0xDB, 0x8A,
    ];
    let data = data_bytes(channels, coding);
    let fmt = fmt_chunk(rate_hz, channels.len() as u16, coding);
    let mut out = vec![
        0x72, 0x69, 0x66, 0x66, 0x2E, 0x91, 0xCF, 0x11, 0xA5, 0xD6, 0x28, 0xDB, 0x04, 0xC1, 0x00,
        0x00,
    ];
    out.extend((40 + 24 + fmt.len() as u64 + 24 + data.len() as u64).to_le_bytes());
    out.extend(b"wave");
    out.extend(TAIL);
    for (name, content) in [(b"fmt ", &fmt), (b"data", &data)] {
        while out.len() % 8 != 0 {
            out.push(0);
        }
        out.extend(name);
        out.extend(TAIL);
        out.extend((24 + content.len() as u64).to_le_bytes());
        out.extend(content);
    }
    out
}

pub fn open(bytes: Vec<u8>) -> settlepoint_sound::pcm::Wav<Cursor<Vec<u8>>> {
    settlepoint_sound::pcm::Wav::open(Cursor::new(bytes)).unwrap()
}

/// A sine of so many dB relative to full scale.
pub fn sine(rate_hz: f64, seconds: f64, hz: f64, level_db: f64) -> Vec<f64> {
    let amplitude = 10.0_f64.powf(level_db / 20.0);
    (0..(rate_hz * seconds) as usize)
        .map(|i| amplitude * (2.0 * std::f64::consts::PI * hz * i as f64 / rate_hz).sin())
        .collect()
}

/// White noise of so many dB relative to a sine of full scale.
pub fn noise(rate_hz: f64, seconds: f64, level_db: f64, seed: u64) -> Vec<f64> {
    let mut random = Random::from_seed(seed);
    let sd = 10.0_f64.powf(level_db / 20.0) / 2.0_f64.sqrt();
    (0..(rate_hz * seconds) as usize)
        .map(|_| sd * random.normal())
        .collect()
}

/// Noise that falls by 6 dB per octave above a corner, like a fan's: white noise through one pole.
pub fn brown(rate_hz: f64, seconds: f64, corner_hz: f64, level_db: f64, seed: u64) -> Vec<f64> {
    let p = (-2.0 * std::f64::consts::PI * corner_hz / rate_hz).exp();
    let mut y = 0.0;
    // The variance of the pole's output is (1-p)^2/(1-p^2) of the input's.
    let gain = ((1.0 - p * p) / (1.0 - p).powi(2)).sqrt();
    noise(rate_hz, seconds, level_db, seed)
        .into_iter()
        .map(|x| {
            y = p * y + (1.0 - p) * x;
            gain * y
        })
        .collect()
}

pub fn mix(parts: &[&[f64]]) -> Vec<f64> {
    (0..parts[0].len())
        .map(|i| parts.iter().map(|p| p[i]).sum())
        .collect()
}
