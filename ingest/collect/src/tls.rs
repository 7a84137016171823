//! HART-IP version 2 over TCP: TLS with a pre-shared key, begun after the session initiate.
//!
//! Two public sources (an open server and an open client, not the standard itself) agree on the order: session initiate
//! and its answer go in the clear with version 2 in their headers, then the TLS handshake runs on the same connection, and
//! everything after is encrypted; there is no second initiate. What they do not say is in docs/hart-ip-tls.md.
//!
//! Needs the cargo feature `tls` (OpenSSL and its headers on the building machine): the pure-Rust library in this
//! workspace knows no external pre-shared keys.

use std::fmt;

/// The version byte of messages to a server with security.
pub(crate) const SECURE_VERSION: u8 = 2;

/// Who we say we are, and the key that the server knows for it.
#[derive(Clone, PartialEq, Eq)]
pub struct Psk {
    identity: String,
    key: Vec<u8>,
}

/// Why an identity and a key are no pre-shared key.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PskError {
    #[error("identity must have 1 to 127 bytes, none of them zero")]
    Identity,
    #[error("the key is not hexadecimal digits, two for each byte")]
    NotHex,
    #[error("the key has {0} bytes; at least 16 and at most 64 are taken")]
    Length(usize),
    #[error(
        "this build has no TLS: build with `cargo build --workspace --features loopwitness/tls` (needs OpenSSL's headers, on Debian libssl-dev)"
    )]
    NotBuilt,
}

impl fmt::Debug for Psk {
    /// Never the key.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Psk")
            .field("identity", &self.identity)
            .finish_non_exhaustive()
    }
}

impl Psk {
    /// A key of hexadecimal digits, as a file or an environment variable holds it.
    ///
    /// # Errors
    /// When it is none; the message never holds the key. [`PskError::NotBuilt`] without the feature `tls`.
    pub fn new(identity: &str, hex: &str) -> Result<Self, PskError> {
        // OpenSSL takes identities of at most 128 bytes with their final zero.
        if identity.is_empty() || identity.len() > 127 || identity.contains('\0') {
            return Err(PskError::Identity);
        }
        let digits: Option<Vec<u8>> = hex
            .trim()
            .chars()
            .map(|c| c.to_digit(16).and_then(|d| u8::try_from(d).ok()))
            .collect();
        let digits = digits.ok_or(PskError::NotHex)?;
        if !digits.len().is_multiple_of(2) {
            return Err(PskError::NotHex);
        }
        let key: Vec<u8> = digits
            .chunks_exact(2)
            .map(|two| two.iter().fold(0, |byte, d| byte << 4 | d))
            .collect();
        if !(16..=64).contains(&key.len()) {
            return Err(PskError::Length(key.len()));
        }
        if !cfg!(feature = "tls") {
            return Err(PskError::NotBuilt);
        }
        Ok(Self {
            identity: identity.to_owned(),
            key,
        })
    }

    pub fn identity(&self) -> &str {
        &self.identity
    }
}

#[cfg(feature = "tls")]
mod with_openssl {
    use super::Psk;
    use openssl::error::ErrorStack;
    use openssl::ssl::{Ssl, SslContext, SslMethod, SslVerifyMode, SslVersion};
    use std::io;
    use std::pin::Pin;
    use tokio::net::TcpStream;
    use tokio_openssl::SslStream;

    /// The suites with a pre-shared key alone that the open server names, in OpenSSL's words (RFC 5487, RFC 6655).
    const SUITES: &str = "PSK-AES128-GCM-SHA256:PSK-AES128-CCM:PSK-AES128-CBC-SHA256";

    fn session(psk: &Psk) -> Result<Ssl, ErrorStack> {
        let mut context = SslContext::builder(SslMethod::tls_client())?;
        // External keys of TLS 1.3 are another mechanism; no source says that a server knows it.
        context.set_min_proto_version(Some(SslVersion::TLS1_2))?;
        context.set_max_proto_version(Some(SslVersion::TLS1_2))?;
        context.set_cipher_list(SUITES)?;
        // There is no certificate: whoever completes the handshake knows the key.
        context.set_verify(SslVerifyMode::NONE);
        let psk = psk.clone();
        context.set_psk_client_callback(move |_, _, identity, key| {
            let (name, bytes) = (psk.identity.as_bytes(), psk.key.as_slice());
            let (Some(to), Some(into)) =
                (identity.get_mut(..=name.len()), key.get_mut(..bytes.len()))
            else {
                return Ok(0);
            };
            // With its final zero.
            for (place, b) in to.iter_mut().zip(name.iter().chain(&[0])) {
                *place = *b;
            }
            into.copy_from_slice(bytes);
            Ok(bytes.len())
        });
        Ssl::new(&context.build())
    }

    /// The handshake on a connection whose session initiate was answered.
    pub(crate) async fn secure(stream: TcpStream, psk: &Psk) -> io::Result<SslStream<TcpStream>> {
        let ssl = session(psk).map_err(io::Error::other)?;
        let mut stream = SslStream::new(ssl, stream).map_err(io::Error::other)?;
        Pin::new(&mut stream)
            .connect()
            .await
            .map_err(io::Error::other)?;
        Ok(stream)
    }
}

#[cfg(feature = "tls")]
pub(crate) use with_openssl::secure;

#[cfg(test)]
mod tests {
    use super::*;

    const KEY: &str = "000102030405060708090a0B0C0D0E0F";

    #[test]
    fn keys_are_checked_and_never_shown() {
        let made = Psk::new("loopwitness", KEY);
        if cfg!(feature = "tls") {
            let psk = made.unwrap();
            assert_eq!(psk.key[15], 15);
            let shown = format!("{psk:?} {psk:#?}");
            assert!(
                shown.contains("loopwitness") && !shown.contains("15"),
                "{shown}"
            );
        } else {
            assert_eq!(made, Err(PskError::NotBuilt));
        }
        for (identity, key, why) in [
            ("", KEY, PskError::Identity),
            ("a\0b", KEY, PskError::Identity),
            ("a", "0001", PskError::Length(2)),
            ("a", "00010", PskError::NotHex),
            ("a", "xyz", PskError::NotHex),
        ] {
            assert_eq!(Psk::new(identity, key), Err(why));
        }
    }
}
