//! Bytes to samples of full scale 1.

use super::{Block, Encoding};

/// Appends frames of interleaved samples to a block that was reset for as many channels. Bytes
/// beyond the last whole frame are left out.
pub(crate) fn append(bytes: &[u8], encoding: Encoding, channels: usize, block: &mut Block) {
    match encoding {
        Encoding::Unsigned8 => interleaved(bytes, channels, block, |b: [u8; 1]| {
            (f64::from(b[0]) - 128.0) * (1.0 / 128.0)
        }),
        Encoding::Signed16 => interleaved(bytes, channels, block, |b: [u8; 2]| {
            f64::from(i16::from_le_bytes(b)) * (1.0 / 32_768.0)
        }),
        Encoding::Signed24 => interleaved(bytes, channels, block, |b: [u8; 3]| {
            f64::from(i32::from_le_bytes([0, b[0], b[1], b[2]])) * (1.0 / 2_147_483_648.0)
        }),
        Encoding::Signed32 => interleaved(bytes, channels, block, |b: [u8; 4]| {
            f64::from(i32::from_le_bytes(b)) * (1.0 / 2_147_483_648.0)
        }),
        Encoding::Float32 => interleaved(bytes, channels, block, |b: [u8; 4]| {
            f64::from(f32::from_le_bytes(b))
        }),
        Encoding::Float64 => interleaved(bytes, channels, block, f64::from_le_bytes),
    }
}

fn interleaved<const N: usize>(
    bytes: &[u8],
    channels: usize,
    block: &mut Block,
    sample: impl Fn([u8; N]) -> f64,
) {
    let (samples, _) = bytes.as_chunks::<N>();
    match channels {
        1 => block.pairs[0].extend(samples.iter().map(|&b| [sample(b), 0.0])),
        2 => block.pairs[0].extend(
            samples
                .as_chunks::<2>()
                .0
                .iter()
                .map(|&[left, right]| [sample(left), sample(right)]),
        ),
        _ => {
            for frame in samples.chunks_exact(channels) {
                for (pair, two) in block.pairs.iter_mut().zip(frame.chunks(2)) {
                    let second = two.get(1).map_or(0.0, |&b| sample(b));
                    pair.push([sample(two[0]), second]);
                }
            }
        }
    }
}
