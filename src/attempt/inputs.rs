//! Inputs as they are recorded: whole steps of each channel, tick after tick, as changes.
//!
//! What hands and foot do is rounded to these steps *before* the engine sees it, so that what is recorded is what was done, to
//! the last bit. Steps are powers of two, so that a whole number of them is exact. They are well below what a hand or a foot
//! can tell: lengths 0.12 µm, angles 8 µrad (0.1 µm at the tip). What is set on the machine changes seldom and is kept as it is.
//!
//! A record is a list of columns, one a channel. A column is a list of changes from tick to tick, each as a variable-length
//! integer (zigzag: 0, −1, 1, −2 … → 0, 1, 2, 3 …; seven bits a byte, the highest set while more follow), compressed
//! together (DEFLATE, RFC 1951).

use crate::sim::hands::{ChopperEnd, HandPose, Pedal};
use crate::sim::{Injected, Inputs, Syringe};
use flate2::Compression;
use flate2::read::DeflateDecoder;
use flate2::write::DeflateEncoder;
use std::io::{Read as _, Write as _};

/// Steps per unit: mm, rad, µL/s, shares.
const PER_MM: f64 = 8192.0;
const PER_RAD: f64 = 131_072.0;
const PER_UL_S: f64 = 256.0;
const PER_SHARE: f64 = 4096.0;

/// Channels of a tick.
const CHANNELS: usize = 22;

/// Longest record, ticks (an hour and ten minutes at 240 a second).
pub const MOST_TICKS: u64 = 1 << 20;

/// One tick in whole steps.
type Frame = [i64; CHANNELS];

/// What hands and foot did, tick after tick.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Record {
    frames: Vec<Frame>,
}

/// Why a record cannot be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// The bytes are no compressed record.
    #[error("its inputs cannot be decompressed")]
    Compression,
    /// A column ends early, or something follows the last.
    #[error("its inputs do not have the length they claim")]
    Length,
    /// A channel holds a number that no hand, foot or syringe can give.
    #[error("its inputs hold a number out of range at tick {tick}")]
    Range {
        /// Tick, from 0.
        tick: usize,
    },
}

impl Record {
    /// Keep a tick, and return it as kept: this, and not what was asked, is to be given to the engine. What is not a finite
    /// number is kept as 0.
    pub fn keep(&mut self, inputs: &Inputs) -> Inputs {
        let frame = frame(inputs);
        self.frames.push(frame);
        // What `frame` makes is always in range.
        inputs_of(&frame).unwrap_or_else(|| inputs.clone())
    }

    /// Ticks kept.
    pub fn ticks(&self) -> usize {
        self.frames.len()
    }

    /// The inputs of each tick.
    pub fn inputs(&self) -> impl Iterator<Item = Inputs> + '_ {
        self.frames.iter().filter_map(inputs_of)
    }

    /// As bytes.
    pub fn encode(&self) -> Vec<u8> {
        let mut plain = Vec::new();
        for channel in 0..CHANNELS {
            let mut last = 0;
            for frame in &self.frames {
                push_varint(&mut plain, frame[channel].wrapping_sub(last));
                last = frame[channel];
            }
        }
        let mut packed = DeflateEncoder::new(Vec::new(), Compression::best());
        // Writing to memory cannot fail.
        let _ = packed.write_all(&plain);
        packed.finish().unwrap_or_default()
    }

    /// From bytes.
    ///
    /// # Errors
    /// Bytes that are no record of so many ticks.
    pub fn decode(bytes: &[u8], ticks: u64) -> Result<Self, RecordError> {
        if ticks > MOST_TICKS {
            return Err(RecordError::Length);
        }
        let most_bytes = ticks * (CHANNELS * 10) as u64;
        let mut plain = Vec::new();
        let unpacked = DeflateDecoder::new(bytes).take(most_bytes + 1).read_to_end(&mut plain);
        unpacked.map_err(|_| RecordError::Compression)?;
        let mut rest = plain.as_slice();
        let mut frames = vec![[0; CHANNELS]; ticks as usize];
        for channel in 0..CHANNELS {
            let mut last = 0_i64;
            for frame in &mut frames {
                last = last.wrapping_add(take_varint(&mut rest).ok_or(RecordError::Length)?);
                frame[channel] = last;
            }
        }
        if !rest.is_empty() {
            return Err(RecordError::Length);
        }
        match frames.iter().position(|f| inputs_of(f).is_none()) {
            Some(tick) => Err(RecordError::Range { tick }),
            None => Ok(Self { frames }),
        }
    }
}

fn push_varint(bytes: &mut Vec<u8>, value: i64) {
    let mut left = ((value << 1) ^ (value >> 63)) as u64;
    while left >= 0x80 {
        bytes.push(left as u8 | 0x80);
        left >>= 7;
    }
    bytes.push(left as u8);
}

fn take_varint(rest: &mut &[u8]) -> Option<i64> {
    let mut value = 0_u64;
    for shift in (0..64).step_by(7) {
        let (&byte, after) = rest.split_first()?;
        *rest = after;
        value |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return Some((value >> 1) as i64 ^ -((value & 1) as i64));
        }
    }
    None
}

/// A number in whole steps; far beyond any sensible value it ends, and what is no number is 0.
fn steps(value: f64, per_unit: f64) -> i64 {
    libm::round((value * per_unit).clamp(-1e12, 1e12)) as i64
}

/// A number as it is; what is no number is 0.
fn bits(value: f64) -> i64 {
    if value.is_finite() { value.to_bits() as i64 } else { 0 }
}

/// The number of these bits, if they are one.
fn number(bits: i64) -> Option<f64> {
    Some(f64::from_bits(bits as u64)).filter(|value| value.is_finite())
}

fn pose_steps(pose: &HandPose) -> [i64; 5] {
    [
        steps(pose.azimuth_rad, PER_RAD),
        steps(pose.elevation_rad, PER_RAD),
        steps(pose.insertion_mm, PER_MM),
        steps(pose.lift_mm, PER_MM),
        steps(pose.roll_rad, PER_RAD),
    ]
}

fn pose_of(frame: &[i64]) -> HandPose {
    HandPose {
        azimuth_rad: frame[0] as f64 / PER_RAD,
        elevation_rad: frame[1] as f64 / PER_RAD,
        insertion_mm: frame[2] as f64 / PER_MM,
        lift_mm: frame[3] as f64 / PER_MM,
        roll_rad: frame[4] as f64 / PER_RAD,
    }
}

/// Where the channels are: the needle's pose, the chopper's end and pose, the foot, the machine, turning, the syringe.
const NEEDLE: usize = 0;
const END: usize = 5;
const CHOPPER: usize = 6;
const POSITION: usize = 11;
const SHARE: usize = 12;
const POWER_SHARE: usize = 13;
const SWITCHES: usize = 14;
const VACUUM: usize = 15;
const FLOW: usize = 16;
const POWER: usize = 17;
const BOTTLE: usize = 18;
const TURN: usize = 19;
const SYRINGE: usize = 20;
const INJECTION: usize = 21;

/// Numbers of what fills the chamber, above the clock hours.
const CHAMBER: [Injected; 3] = [Injected::Cohesive, Injected::Dispersive, Injected::Fluid];

fn frame(inputs: &Inputs) -> Frame {
    let mut frame = [0; CHANNELS];
    frame[NEEDLE..END].copy_from_slice(&pose_steps(&inputs.needle));
    if let Some((end, pose)) = &inputs.chopper {
        frame[END] = match end {
            ChopperEnd::Pointed => 1,
            ChopperEnd::Blunt => 2,
        };
        frame[CHOPPER..POSITION].copy_from_slice(&pose_steps(pose));
    }
    frame[POSITION] = i64::from(inputs.pedal.position);
    frame[SHARE] = steps(inputs.pedal.share, PER_SHARE);
    frame[POWER_SHARE] = inputs.power_share.map_or(-1, |share| steps(share.max(0.0), PER_SHARE));
    frame[SWITCHES] = i64::from(inputs.reflux) | i64::from(inputs.calls) << 1;
    frame[VACUUM] = bits(inputs.vacuum_limit_pa);
    frame[FLOW] = bits(inputs.flow_limit_ul_s);
    frame[POWER] = bits(inputs.power_limit);
    frame[BOTTLE] = bits(inputs.bottle_pa);
    frame[TURN] = steps(inputs.turn_rad_s, PER_RAD);
    (frame[SYRINGE], frame[INJECTION]) = match inputs.syringe {
        None => (0, 0),
        Some(Syringe::UnderRim { hour, flow_ul_s }) => (i64::from(hour), steps(flow_ul_s, PER_UL_S)),
        Some(Syringe::Chamber { what, flow_ul_s }) => {
            let number = match what {
                Injected::Cohesive => 13,
                Injected::Dispersive => 14,
                Injected::Fluid => 15,
            };
            (number, steps(flow_ul_s, PER_UL_S))
        }
    };
    frame
}

/// The inputs of a frame; `None` where a choice is none there is.
fn inputs_of(frame: &Frame) -> Option<Inputs> {
    let end = match frame[END] {
        0 => None,
        1 => Some(ChopperEnd::Pointed),
        2 => Some(ChopperEnd::Blunt),
        _ => return None,
    };
    let flow_ul_s = frame[INJECTION] as f64 / PER_UL_S;
    let syringe = match frame[SYRINGE] {
        0 => None,
        hour @ 1..=12 => Some(Syringe::UnderRim { hour: hour as u8, flow_ul_s }),
        number => {
            let what = *CHAMBER.get(usize::try_from(number - 13).ok()?)?;
            Some(Syringe::Chamber { what, flow_ul_s })
        }
    };
    Some(Inputs {
        needle: pose_of(&frame[NEEDLE..END]),
        chopper: end.map(|end| (end, pose_of(&frame[CHOPPER..POSITION]))),
        pedal: Pedal {
            position: u8::try_from(frame[POSITION]).ok().filter(|p| *p <= 3)?,
            share: frame[SHARE] as f64 / PER_SHARE,
        },
        power_share: (frame[POWER_SHARE] >= 0).then(|| frame[POWER_SHARE] as f64 / PER_SHARE),
        reflux: match frame[SWITCHES] {
            0..=3 => frame[SWITCHES] & 1 == 1,
            _ => return None,
        },
        calls: frame[SWITCHES] & 2 == 2,
        vacuum_limit_pa: number(frame[VACUUM])?,
        flow_limit_ul_s: number(frame[FLOW])?,
        power_limit: number(frame[POWER])?,
        bottle_pa: number(frame[BOTTLE])?,
        turn_rad_s: frame[TURN] as f64 / PER_RAD,
        syringe,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn pose() -> impl Strategy<Value = HandPose> {
        (-7.0..7.0, -2.0..2.0, 0.0..30.0, -3.0..3.0, -7.0..7.0).prop_map(
            |(azimuth_rad, elevation_rad, insertion_mm, lift_mm, roll_rad)| HandPose {
                azimuth_rad,
                elevation_rad,
                insertion_mm,
                lift_mm,
                roll_rad,
            },
        )
    }

    fn syringe() -> impl Strategy<Value = Syringe> {
        prop_oneof![
            (1u8..=12, 0.0..300.0).prop_map(|(hour, flow_ul_s)| Syringe::UnderRim { hour, flow_ul_s }),
            (0usize..3, 0.0..300.0).prop_map(|(i, flow_ul_s)| Syringe::Chamber { what: CHAMBER[i], flow_ul_s }),
        ]
    }

    fn inputs() -> impl Strategy<Value = Inputs> {
        let chopper = proptest::option::of((any::<bool>(), pose()));
        let foot = (0u8..=3, 0.0..=1.0, proptest::option::of(0.0..=1.0), any::<bool>(), any::<bool>());
        let machine = (0.0..90_000.0, 0.0..1000.0, 0.0..=1.0, 0.0..15_000.0, -2.0..2.0);
        (pose(), chopper, foot, machine, proptest::option::of(syringe())).prop_map(
            |(needle, chopper, (position, share, power_share, reflux, calls), machine, syringe)| Inputs {
                needle,
                chopper: chopper
                    .map(|(blunt, pose)| (if blunt { ChopperEnd::Blunt } else { ChopperEnd::Pointed }, pose)),
                pedal: Pedal { position, share },
                power_share,
                reflux,
                vacuum_limit_pa: machine.0,
                flow_limit_ul_s: machine.1,
                power_limit: machine.2,
                bottle_pa: machine.3,
                turn_rad_s: machine.4,
                syringe,
                calls,
            },
        )
    }

    proptest! {
        #[test]
        fn what_is_kept_comes_back_to_the_last_bit(asked in proptest::collection::vec(inputs(), 0..40)) {
            let mut record = Record::default();
            let kept: Vec<Inputs> = asked.iter().map(|i| record.keep(i)).collect();
            let back = Record::decode(&record.encode(), asked.len() as u64).unwrap();
            prop_assert_eq!(&back, &record);
            prop_assert_eq!(back.inputs().collect::<Vec<_>>(), kept.clone());
            for (asked, kept) in asked.iter().zip(&kept) {
                prop_assert!((asked.needle.insertion_mm - kept.needle.insertion_mm).abs() <= 0.5 / PER_MM);
                prop_assert!((asked.needle.azimuth_rad - kept.needle.azimuth_rad).abs() <= 0.5 / PER_RAD);
                prop_assert_eq!(asked.vacuum_limit_pa, kept.vacuum_limit_pa);
                prop_assert_eq!(asked.syringe.is_some(), kept.syringe.is_some());
                prop_assert_eq!((asked.reflux, asked.calls), (kept.reflux, kept.calls));
            }
            // Keeping what was kept changes nothing.
            let mut again = Record::default();
            for i in &kept {
                again.keep(i);
            }
            prop_assert_eq!(again, record);
        }

        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300), ticks in 0u64..50) {
            let _ = Record::decode(&bytes, ticks);
        }
    }

    #[test]
    fn numbers_of_every_size_survive() {
        for value in [0, 1, -1, 63, 64, -64, -65, i64::MAX, i64::MIN] {
            let mut bytes = Vec::new();
            push_varint(&mut bytes, value);
            let mut rest = bytes.as_slice();
            assert_eq!((take_varint(&mut rest), rest.len()), (Some(value), 0), "{value}");
        }
    }

    #[test]
    fn a_record_of_another_length_is_refused() {
        let mut record = Record::default();
        let still = Inputs {
            needle: HandPose::default(),
            chopper: None,
            pedal: Pedal { position: 1, share: 1.0 },
            power_share: None,
            reflux: false,
            vacuum_limit_pa: 40_000.0,
            flow_limit_ul_s: 500.0,
            power_limit: 0.6,
            bottle_pa: 8_000.0,
            turn_rad_s: f64::NAN,
            syringe: None,
            calls: false,
        };
        for _ in 0..5 {
            assert_eq!(record.keep(&still).turn_rad_s, 0.0);
        }
        let bytes = record.encode();
        assert_eq!(Record::decode(&bytes, 4), Err(RecordError::Length));
        assert_eq!(Record::decode(&bytes, 6), Err(RecordError::Length));
        assert_eq!(Record::decode(&bytes, MOST_TICKS + 1), Err(RecordError::Length));
        assert!(Record::decode(&bytes[..bytes.len() - 1], 5).is_err());
    }
}
