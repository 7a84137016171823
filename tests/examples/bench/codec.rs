//! Frames a second on one core, beside the least that must be done with the same bytes: adding up the check byte.

use crate::{say, thread_s};
use ingest_hart::answer::Answer;
use ingest_hart::frame::check_byte;
use ingest_hart::{Frame, Master, ReadCommand, Request, UniqueAddress};
use std::hint::black_box;
use std::time::Instant;

/// Answers to command 3 with four variables, long address; values differ from frame to frame.
pub(crate) fn answers() -> Vec<Vec<u8>> {
    let to = UniqueAddress::new(0x6A31, 0x0B1C2D).bytes(Master::Primary);
    (0..64_u8)
        .map(|n| {
            let mut frame = vec![0x86];
            frame.extend(to);
            frame.extend([3, 26, 0, 0]);
            frame.extend((4.0 + f32::from(n) / 4.0).to_be_bytes());
            for v in 0..4_u8 {
                frame.push(57 + v);
                frame.extend((f32::from(n) * 1.7 + f32::from(v)).to_be_bytes());
            }
            frame.push(check_byte(&frame));
            frame
        })
        .collect()
}

/// Decodes so many frames; what comes out is used, so that nothing is left out.
pub(crate) fn decode(frames: &[Vec<u8>], times: u64) -> f64 {
    let mut sum = 0.0;
    for bytes in frames.iter().cycle().take(times as usize) {
        let Ok((frame, _)) = Frame::parse(black_box(bytes)) else {
            continue;
        };
        if let Ok(Answer::DynamicVariables(v)) = Answer::decode(frame.command, frame.data()) {
            black_box(&v);
            sum += 1.0;
        }
    }
    sum
}

/// Encodes so many requests into one buffer.
pub(crate) fn encode(times: u64) -> u64 {
    let mut buffer = [0; 64];
    let mut sum = 0;
    for n in 0..times {
        let request = Request::Direct {
            to: UniqueAddress::new(0x6A31, n as u32 & 0xFF_FFFF),
            command: ReadCommand::DynamicVariables,
        };
        if let Ok(len) = black_box(&request).encode(Master::Primary, &mut buffer) {
            sum += len as u64;
        }
        black_box(&buffer);
    }
    sum
}

pub(crate) fn run(times: u64) -> anyhow::Result<()> {
    let frames = answers();
    let sum_only = |times: u64| {
        let all = frames.iter().cycle().take(times as usize);
        all.map(|f| u64::from(check_byte(black_box(f))))
            .sum::<u64>()
    };
    anyhow::ensure!(decode(&frames, 64) == 64.0, "an answer does not decode");
    for _ in 0..5 {
        timed("check byte only", times, || {
            black_box(sum_only(times));
        })?;
        timed("decode", times, || {
            black_box(decode(&frames, times));
        })?;
        timed("encode", times, || {
            black_box(encode(times));
        })?;
    }
    Ok(())
}

fn timed(name: &str, done: u64, work: impl FnOnce()) -> anyhow::Result<()> {
    let (cpu, wall) = (thread_s()?, Instant::now());
    work();
    say(name, done, thread_s()? - cpu, wall.elapsed().as_secs_f64());
    Ok(())
}
