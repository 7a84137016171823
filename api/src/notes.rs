//! Device notes: what a site knows of the bits and variables that only one device type has.
//!
//! TOML files in the folder that `[site] device_notes` names, one or more a type. A bit or variable that no note names is
//! shown by its number, never guessed. Notes name; they change no verdict.

use super::decode::{Item, Piece, Value};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Why notes are refused.
#[derive(Debug, thiserror::Error)]
pub enum NotesError {
    #[error("cannot read device notes {}: {source}", path.display())]
    Read {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("device notes {}: {message}", path.display())]
    File { path: PathBuf, message: String },
    #[error(
        "device notes {} and {} are both for device type {device_type:#06X}, revision {revision}; keep one",
        first.display(), second.display()
    )]
    Twice {
        first: PathBuf,
        second: PathBuf,
        device_type: u16,
        revision: u8,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawNote {
    device_type: String,
    #[serde(default)]
    device_revisions: Vec<u8>,
    #[serde(default)]
    source: Option<String>,
    #[serde(default)]
    status: BTreeMap<String, String>,
    #[serde(default)]
    variables: BTreeMap<String, String>,
}

/// Notes on one device type, for some revisions or all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceNote {
    pub path: PathBuf,
    pub device_type: u16,
    /// Empty: all.
    pub device_revisions: Vec<u8>,
    /// Where it is known from.
    pub source: Option<String>,
    /// Device-specific bits of command 48 by byte and bit.
    status: BTreeMap<(u8, u8), String>,
    /// Device variables by code.
    variables: BTreeMap<u8, String>,
}

impl DeviceNote {
    pub fn bit(&self, byte: u8, bit: u8) -> Option<&str> {
        self.status.get(&(byte, bit)).map(String::as_str)
    }

    pub fn variable(&self, code: u8) -> Option<&str> {
        self.variables.get(&code).map(String::as_str)
    }

    fn is_for(&self, revision: Option<u8>) -> bool {
        self.device_revisions.is_empty()
            || revision.is_some_and(|r| self.device_revisions.contains(&r))
    }
}

/// All notes of a site.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DeviceNotes(Vec<DeviceNote>);

/// Device-specific bytes of command 48; the others have a meaning for all devices.
fn is_specific(byte: u8) -> bool {
    matches!(byte, 0..=5 | 14..=24)
}

impl DeviceNotes {
    /// Reads every `*.toml` of a folder.
    ///
    /// # Errors
    /// For a file that cannot be read or says what cannot be, and for two files on one device.
    pub fn load(folder: &Path) -> Result<Self, NotesError> {
        let read = |source| NotesError::Read {
            path: folder.to_owned(),
            source,
        };
        let mut paths: Vec<PathBuf> = std::fs::read_dir(folder)
            .map_err(read)?
            .map(|e| e.map(|e| e.path()))
            .collect::<Result<_, _>>()
            .map_err(read)?;
        paths.retain(|p| p.extension().is_some_and(|e| e == "toml"));
        paths.sort();
        let mut all: Vec<DeviceNote> = Vec::new();
        for path in paths {
            let text = std::fs::read_to_string(&path).map_err(|source| NotesError::Read {
                path: path.clone(),
                source,
            })?;
            let note = parse(&text, &path).map_err(|message| NotesError::File {
                path: path.clone(),
                message,
            })?;
            for other in all.iter().filter(|o| o.device_type == note.device_type) {
                if let Some(revision) =
                    (0..=u8::MAX).find(|r| other.is_for(Some(*r)) && note.is_for(Some(*r)))
                {
                    return Err(NotesError::Twice {
                        first: other.path.clone(),
                        second: path,
                        device_type: note.device_type,
                        revision,
                    });
                }
            }
            all.push(note);
        }
        Ok(Self(all))
    }

    pub fn len(&self) -> usize {
        self.0.len()
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The notes on a device. Without its revision only such as hold for all.
    pub fn of(&self, device_type: u16, revision: Option<u8>) -> Option<&DeviceNote> {
        self.0
            .iter()
            .find(|n| n.device_type == device_type && n.is_for(revision))
    }

    /// The notes on a device by its address, which has the lower 14 bits of the type; `None` where two types share them.
    fn of_address(&self, low: u16, revision: Option<u8>) -> Option<&DeviceNote> {
        let mut fitting = self
            .0
            .iter()
            .filter(|n| n.device_type & 0x3FFF == low && n.is_for(revision));
        let first = fitting.next()?;
        fitting.next().is_none().then_some(first)
    }

    /// Puts names into an explanation, by the addresses in its frames.
    pub fn annotate(&self, piece: &mut Piece, revision: Option<u8>) {
        let (mut note, mut command) = (None, 0);
        for item in &mut piece.items {
            match (item.name.as_ref(), item.bytes.as_slice(), &item.value) {
                ("address", [a, b, ..], _) => {
                    note = self.of_address(u16::from_be_bytes([a & 0x3F, *b]), revision);
                }
                ("command" | "extended_command", _, Value::Number(n)) => command = *n,
                _ => {}
            }
            name_item(item, command, note);
        }
    }
}

/// Names what an item of a command's data holds.
pub(crate) fn name_item(item: &mut Item, command: u64, note: Option<&DeviceNote>) {
    let name = item.name.as_ref();
    if command == 48
        && let Some(first) = match name {
            "specific_0" => Some(0),
            "specific_1" => Some(14),
            _ => None,
        }
    {
        item.text = specific_text(first, &item.bytes, note);
    } else if matches!(command, 9 | 33 | 50 | 54 | 80 | 81 | 534)
        && (name == "code" || name.ends_with("_code"))
        && let ([code], Some(note)) = (item.bytes.as_slice(), note)
        && let Some(named) = note.variable(*code)
    {
        let _done = write!(item.text, ": {named}");
    }
}

/// The device-specific bits that are set, named where a note does.
pub(crate) fn specific_bits(first: u8, bytes: &[u8], note: Option<&DeviceNote>) -> Vec<String> {
    let mut all = Vec::new();
    for (at, byte) in bytes.iter().enumerate() {
        let at = first.saturating_add(u8::try_from(at).unwrap_or(u8::MAX));
        for bit in (0..8).filter(|bit| byte >> bit & 1 == 1) {
            all.push(match note.and_then(|n| n.bit(at, bit)) {
                Some(name) => format!("byte {at} bit {bit}: {name}"),
                None => format!("byte {at} bit {bit} (no note names it)"),
            });
        }
    }
    all
}

/// The device-specific bits of an answer to command 48, both parts of it.
pub(crate) fn own_bits(data: &[u8], note: Option<&DeviceNote>) -> Vec<String> {
    // The layout of the bytes between depends on the revision; these are the device's own in all.
    let part = |from: usize, to: usize| {
        let to = to.min(data.len());
        data.get(from.min(to)..to).unwrap_or_default()
    };
    let mut all = specific_bits(0, part(0, 6), note);
    all.extend(specific_bits(14, part(14, 25), note));
    all
}

pub(crate) fn specific_text(first: u8, bytes: &[u8], note: Option<&DeviceNote>) -> String {
    let set = specific_bits(first, bytes, note);
    if set.is_empty() {
        "device-specific status: nothing set".to_owned()
    } else {
        format!("device-specific status: {}", set.join(", "))
    }
}

fn parse(text: &str, path: &Path) -> Result<DeviceNote, String> {
    let raw: RawNote = toml::from_str(text).map_err(|e| {
        let start = e.span().map_or(0, |s| s.start);
        let line = text.get(..start).unwrap_or("").matches('\n').count() + 1;
        format!("line {line}: {}", e.message().replace('\n', " "))
    })?;
    let hex = raw.device_type.trim().strip_prefix("0x");
    let device_type = hex
        .and_then(|h| u16::from_str_radix(h, 16).ok())
        .ok_or_else(|| {
            format!(
                "device_type `{}` is not an expanded device type (like \"0x6A31\")",
                raw.device_type
            )
        })?;
    let mut status = BTreeMap::new();
    for (place, name) in raw.status {
        let at = place
            .split_once('.')
            .and_then(|(byte, bit)| Some((byte.parse::<u8>().ok()?, bit.parse::<u8>().ok()?)))
            .filter(|(_, bit)| *bit < 8)
            .ok_or_else(|| format!("[status] `{place}` is not byte.bit (like \"2.7\")"))?;
        if !is_specific(at.0) {
            return Err(format!(
                "[status] `{place}`: byte {} of command 48 means the same for all devices; only 0 to 5 and 14 to 24 are the device's own",
                at.0
            ));
        }
        status.insert(at, checked(&place, name)?);
    }
    let mut variables = BTreeMap::new();
    for (code, name) in raw.variables {
        let number = code
            .parse::<u8>()
            .ok()
            .filter(|c| *c < 240)
            .ok_or_else(|| {
                format!("[variables] `{code}` is not the code of a variable of the device's own, 0 to 239")
            })?;
        variables.insert(number, checked(&code, name)?);
    }
    Ok(DeviceNote {
        path: path.to_owned(),
        device_type,
        device_revisions: raw.device_revisions,
        source: raw.source,
        status,
        variables,
    })
}

fn checked(of: &str, name: String) -> Result<String, String> {
    if name.trim().is_empty() || name.chars().count() > 80 || name.chars().any(char::is_control) {
        return Err(format!(
            "the name of `{of}` must have 1 to 80 printable characters"
        ));
    }
    Ok(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        for (name, text) in files {
            std::fs::write(dir.path().join(name), text).unwrap();
        }
        dir
    }

    const NOTE: &str = "device_type = \"0x6A31\"\n[status]\n\"0.0\" = \"sensor board replaced\"\n\"5.7\" = \"fill fluid low\"\n[variables]\n2 = \"terminal voltage\"\n";

    #[test]
    fn bits_and_variables_are_named_and_others_kept_by_number() {
        let dir = folder(&[("a.toml", NOTE), ("readme.txt", "not a note")]);
        let notes = DeviceNotes::load(dir.path()).unwrap();
        assert_eq!(notes.len(), 1);
        // `serial_cmd48_response_rev7_25bytes` of the vectors: byte 0 bit 0 and byte 5 bit 7 are set.
        let hex = format!(
            "86aa310b1c2d301b001001000000008011002108{}a5",
            "00".repeat(15)
        );
        let bytes = super::super::decode::parse_hex(&hex).unwrap();
        let mut piece = super::super::decode::explain(&bytes).unwrap().remove(0);
        assert!(
            piece.text().contains("byte 0 bit 0 (no note names it)"),
            "{}",
            piece.text()
        );
        notes.annotate(&mut piece, None);
        let text = piece.text();
        assert!(
            text.contains("byte 0 bit 0: sensor board replaced, byte 5 bit 7: fill fluid low"),
            "{text}"
        );
        // Another type: nothing is guessed.
        assert_eq!(notes.of(0x6A32, None), None);
        // 33 of the vectors has codes 0 and 1; 2 would be named.
        let note = notes.of(0x6A31, Some(3)).unwrap();
        assert_eq!(
            (note.variable(2), note.variable(0)),
            (Some("terminal voltage"), None)
        );
    }

    #[test]
    fn revisions_are_told_apart_and_clashes_refused() {
        let of =
            |revisions: &str| format!("device_type = \"0x6A31\"\ndevice_revisions = {revisions}\n");
        let dir = folder(&[("a.toml", &of("[1, 2]")), ("b.toml", &of("[3]"))]);
        let notes = DeviceNotes::load(dir.path()).unwrap();
        assert!(notes.of(0x6A31, Some(3)).unwrap().path.ends_with("b.toml"));
        assert_eq!(
            (notes.of(0x6A31, Some(4)), notes.of(0x6A31, None)),
            (None, None)
        );
        let dir = folder(&[("a.toml", &of("[1, 2]")), ("b.toml", &of("[]"))]);
        let said = DeviceNotes::load(dir.path()).unwrap_err().to_string();
        assert!(
            said.contains("are both for device type 0x6A31, revision 1; keep one"),
            "{said}"
        );
    }

    #[test]
    fn the_notes_of_the_sample_fleet_are_good() {
        let notes = DeviceNotes::load(Path::new(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../sample-fleet/notes"
        )))
        .unwrap();
        let of = |t, r| notes.of(t, Some(r)).and_then(|n| n.variable(2));
        assert_eq!(of(0xFA21, 3), Some("terminal voltage"));
        assert_eq!(
            (of(0xFA42, 4), of(0xFA42, 5)),
            (None, Some("terminal voltage"))
        );
    }

    #[test]
    fn wrong_notes_say_where_and_what() {
        for (text, wanted) in [
            ("device_type = \"6A31\"", "is not an expanded device type"),
            (
                "device_type = \"0x6A31\"\n[status]\n\"8.0\" = \"x\"",
                "byte 8 of command 48 means the same",
            ),
            (
                "device_type = \"0x6A31\"\n[status]\n\"1.8\" = \"x\"",
                "is not byte.bit",
            ),
            (
                "device_type = \"0x6A31\"\n[variables]\n246 = \"x\"",
                "0 to 239",
            ),
            (
                "device_type = \"0x6A31\"\n[variables]\n2 = \" \"",
                "1 to 80 printable",
            ),
            (
                "device_type = \"0x6A31\"\nstatsu = 1",
                "line 2: unknown field `statsu`",
            ),
        ] {
            let said = DeviceNotes::load(folder(&[("x.toml", text)]).path())
                .unwrap_err()
                .to_string();
            assert!(said.contains("x.toml") && said.contains(wanted), "{said}");
        }
        assert!(DeviceNotes::load(Path::new("nowhere-at-all")).is_err());
    }
}
