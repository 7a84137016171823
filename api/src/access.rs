//! `[access]` of `site.toml`: who may read, who may change, and under which names the service answers.
//!
//! A token is a secret of its own choosing by the site; only its SHA-256 is in the file, so that the file may be read by more people
//! than may sign in. Without `[access]` the service answers on the loopback interface alone, and to anybody there.

use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// What a token opens.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum May {
    Read,
    /// Also cases, register, work.
    Change,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Token {
    name: String,
    digest: [u8; 32],
    may: May,
}

/// Checked settings.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Access {
    tokens: Vec<Token>,
    hosts: Vec<String>,
}

/// As written in `site.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawAccess {
    /// File of tokens, beside `site.toml`.
    tokens: PathBuf,
    /// Names under which browsers reach the service; addresses need none.
    #[serde(default)]
    hosts: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFile {
    #[serde(default)]
    token: Vec<RawToken>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawToken {
    name: String,
    sha256: String,
    may: May,
}

impl RawAccess {
    /// Reads the file of tokens, whose relative path counts from `base`; or what is wrong.
    pub fn load(self, base: &Path) -> Result<Access, String> {
        let path = base.join(self.tokens);
        let text = std::fs::read_to_string(&path)
            .map_err(|e| format!("cannot read the tokens in {}: {e}", path.display()))?;
        Access::parse(&text, self.hosts).map_err(|e| format!("{}: {e}", path.display()))
    }
}

impl Access {
    /// From the text of a file of tokens.
    pub fn parse(text: &str, hosts: Vec<String>) -> Result<Self, String> {
        let raw: RawFile =
            toml::from_str(text).map_err(|e| e.to_string().trim_end().replace('\n', " "))?;
        if raw.token.is_empty() {
            return Err("no [[token]]: nobody could sign in".into());
        }
        let mut tokens: Vec<Token> = Vec::with_capacity(raw.token.len());
        for t in raw.token {
            if t.name.trim().is_empty() {
                return Err("a [[token]] without a name".into());
            }
            let digest = digest_of_hex(&t.sha256).ok_or_else(|| {
                format!(
                    "token `{}`: sha256 is not 64 hexadecimal digits (make it with: printf %s TOKEN | sha256sum)",
                    t.name
                )
            })?;
            if let Some(other) = tokens
                .iter()
                .find(|o| o.name == t.name || o.digest == digest)
            {
                return Err(format!(
                    "tokens `{}` and `{}` are the same",
                    other.name, t.name
                ));
            }
            tokens.push(Token {
                name: t.name,
                digest,
                may: t.may,
            });
        }
        Ok(Self { tokens, hosts })
    }

    /// Whose token it is, and what it opens.
    ///
    /// Digests are compared, so the time it takes says nothing about the token.
    pub fn who(&self, token: &str) -> Option<(&str, May)> {
        let digest: [u8; 32] = Sha256::digest(token.as_bytes()).into();
        self.tokens
            .iter()
            .find(|t| t.digest == digest)
            .map(|t| (t.name.as_str(), t.may))
    }

    /// Whether `name`, without port, is one that the site has given. A foreign name that somebody points at this machine
    /// is none; a plain address cannot be pointed.
    pub fn answers_to(&self, name: &str) -> bool {
        name.parse::<std::net::IpAddr>().is_ok()
            || self.hosts.iter().any(|h| h.eq_ignore_ascii_case(name))
    }
}

fn digest_of_hex(text: &str) -> Option<[u8; 32]> {
    let digits = text.trim().as_bytes();
    let mut out = [0; 32];
    if digits.len() != 64 {
        return None;
    }
    for (to, pair) in out.iter_mut().zip(digits.chunks_exact(2)) {
        let pair = std::str::from_utf8(pair).ok()?;
        if !pair.bytes().all(|b| b.is_ascii_hexdigit()) {
            return None;
        }
        *to = u8::from_str_radix(pair, 16).ok()?;
    }
    Some(out)
}
