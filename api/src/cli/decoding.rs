//! `loopwitness decode`: frames given as words, or a file, explained on standard output.

use super::{DecodeFormat, print};
use crate::decode;
use crate::notes::DeviceNotes;
use anyhow::{Context, bail};
use std::io::Write;
use std::path::Path;

/// Device notes and the revision that they are read for.
pub(super) type Notes = (DeviceNotes, Option<u8>);

pub(super) fn decode_input(
    words: &[String],
    format: DecodeFormat,
    notes: &Notes,
) -> anyhow::Result<()> {
    if let [only] = words
        && Path::new(only).is_file()
    {
        return decode_file(Path::new(only), format, notes);
    }
    // Bytes given as separate words are one frame; longer words may each be one.
    let frames: Vec<String> = if words.iter().all(|w| w.trim().len() > 8) {
        words.to_vec()
    } else {
        vec![words.join(" ")]
    };
    let (mut errors, mut first) = (0, None);
    for (n, text) in frames.iter().enumerate() {
        let mut pieces = decode::explain(&decode::parse_hex(text)?)?;
        pieces.iter_mut().for_each(|p| notes.0.annotate(p, notes.1));
        let mut out = String::new();
        for (k, piece) in pieces.iter().enumerate() {
            match format {
                DecodeFormat::Json => out += &(serde_json::to_string(piece)? + "\n"),
                DecodeFormat::Text if n + k > 0 => out += &format!("\n{}", piece.text()),
                DecodeFormat::Text => out += &piece.text(),
            }
            errors += piece.errors().count();
            let found = piece
                .errors()
                .next()
                .map(|i| (piece.at + i.at, i.text.clone()));
            first = first.or(found);
        }
        print(&out)?;
    }
    match first {
        Some((at, text)) => bail!("{errors} errors, the first at byte {at}: {text}"),
        None => Ok(()),
    }
}

fn decode_file(path: &Path, format: DecodeFormat, notes: &Notes) -> anyhow::Result<()> {
    let file =
        std::fs::File::open(path).with_context(|| format!("cannot open {}", path.display()))?;
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let summary = decode::capture::read(file, &mut |mut found| {
        notes.0.annotate(&mut found.piece, notes.1);
        match format {
            DecodeFormat::Json => serde_json::to_writer(&mut out, &found)?,
            DecodeFormat::Text => out.write_all(found.text().as_bytes())?,
        }
        out.write_all(b"\n")?;
        Ok(())
    })
    .with_context(|| format!("cannot decode {}", path.display()))?;
    out.flush()?;
    eprintln!("{}: {summary}", path.display());
    Ok(())
}
