//! Owns the envelope in which a sealed image holds its profile, and the commitment to what is in it.
//!
//! An image's profile text is either a profile or an envelope with one. Always holds: what is taken out
//! of an envelope is what the commitment was made to. It is a seal against looking by accident: the key
//! follows from the commitment, which stands beside it, and any program can follow it too. What keeps a
//! commitment from being guessed is the salt, which is inside as well.

use std::fmt;
use std::str::FromStr;

use rand_chacha::ChaCha20Rng;
use rand_core::{Rng, SeedableRng};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// How the text of an envelope begins; no profile's does.
const MARK: &str = "# A sealed drive: its parameters are hidden.";
const VERSION: u32 = 1;
/// Bytes of the salt.
pub const SALT_BYTES: usize = 32;

/// A SHA-256 over the name, the keys, the salt and the profile's text.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Commitment(pub [u8; 32]);

/// A profile that is not to be seen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Envelope {
    /// What people call the drive.
    pub name: String,
    /// Keys whose values were drawn, for whoever has to find them.
    pub parameters: Vec<String>,
    /// To what the envelope commits.
    pub commitment: Commitment,
    content: Vec<u8>,
}

/// An envelope that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum EnvelopeError {
    /// It is none, or cut short.
    #[error("the image is sealed, and its envelope cannot be read: {what}")]
    Unreadable {
        /// What is wrong.
        what: String,
    },
    /// The content is not what was committed to.
    #[error(
        "the image is sealed, and what is in its envelope is not what the commitment {commitment} was made to: one of them was changed"
    )]
    Changed {
        /// What the envelope says.
        commitment: Commitment,
    },
}

/// The text, as TOML.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    envelope: RawEnvelope,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawEnvelope {
    version: u32,
    name: String,
    parameters: Vec<String>,
    commitment: String,
    content: String,
}

impl Envelope {
    /// Puts the text of a profile into an envelope. `salt`: as random as the draw itself.
    pub fn close(
        profile_text: &str,
        name: &str,
        parameters: &[String],
        salt: [u8; SALT_BYTES],
    ) -> Envelope {
        let mut content = salt.to_vec();
        content.extend_from_slice(profile_text.as_bytes());
        let commitment = commit(name, parameters, &content);
        cipher(commitment, &mut content);
        Envelope {
            name: name.to_owned(),
            parameters: parameters.to_vec(),
            commitment,
            content,
        }
    }

    /// The envelope that an image's text is; `None`: it is none, and so a profile.
    ///
    /// # Errors
    /// If it says that it is one and cannot be read.
    pub fn from_text(text: &str) -> Option<Result<Envelope, EnvelopeError>> {
        text.starts_with(MARK).then(|| read(text))
    }

    /// The text that an image holds.
    pub fn to_text(&self) -> String {
        let raw = Raw {
            envelope: RawEnvelope {
                version: VERSION,
                name: self.name.clone(),
                parameters: self.parameters.clone(),
                commitment: self.commitment.to_string(),
                content: hex(&self.content),
            },
        };
        let text = toml::to_string(&raw).expect("texts and numbers are TOML");
        format!("{MARK}\n{text}")
    }

    /// The text of the profile in it.
    ///
    /// # Errors
    /// If that is not what was committed to.
    pub fn open(&self) -> Result<String, EnvelopeError> {
        let changed = EnvelopeError::Changed {
            commitment: self.commitment,
        };
        let mut content = self.content.clone();
        cipher(self.commitment, &mut content);
        if commit(&self.name, &self.parameters, &content) != self.commitment {
            return Err(changed);
        }
        let text = content.split_off(SALT_BYTES.min(content.len()));
        String::from_utf8(text).map_err(|_| changed)
    }
}

fn read(text: &str) -> Result<Envelope, EnvelopeError> {
    let unreadable = |what: &str| EnvelopeError::Unreadable {
        what: what.to_owned(),
    };
    let raw: Raw = toml::from_str(text).map_err(|error| unreadable(error.message()))?;
    let raw = raw.envelope;
    if raw.version != VERSION {
        return Err(unreadable(&format!(
            "it is of version {}, and this imbrex reads {VERSION}",
            raw.version
        )));
    }
    let commitment = raw.commitment.parse();
    Ok(Envelope {
        name: raw.name,
        parameters: raw.parameters,
        commitment: commitment.map_err(|what: String| unreadable(&what))?,
        content: unhex(&raw.content).ok_or_else(|| unreadable("its content is no hexadecimal"))?,
    })
}

fn commit(name: &str, parameters: &[String], content: &[u8]) -> Commitment {
    let mut hash = Sha256::new();
    // Each part with its length before it, so that no two sets of parts are the same bytes.
    let parts = [b"imbrex envelope 1".as_slice(), name.as_bytes()];
    let keys = parameters.iter().map(String::as_bytes);
    for part in parts.into_iter().chain(keys).chain([content]) {
        hash.update(crate::units::count(part.len()).to_be_bytes());
        hash.update(part);
    }
    Commitment(hash.finalize().into())
}

/// Hides or shows the content: the same both ways.
fn cipher(commitment: Commitment, content: &mut [u8]) {
    let mut hash = Sha256::new();
    hash.update(b"imbrex envelope key");
    hash.update(commitment.0);
    let mut stream = ChaCha20Rng::from_seed(hash.finalize().into());
    let mut key = vec![0; content.len()];
    stream.fill_bytes(&mut key);
    for (byte, key) in content.iter_mut().zip(key) {
        *byte ^= key;
    }
}

fn hex(bytes: &[u8]) -> String {
    let digit = |nibble: u8| char::from_digit(u32::from(nibble), 16).expect("a nibble");
    bytes
        .iter()
        .flat_map(|byte| [digit(byte >> 4), digit(byte & 15)])
        .collect()
}

fn unhex(text: &str) -> Option<Vec<u8>> {
    let digits: Option<Vec<u32>> = text.chars().map(|digit| digit.to_digit(16)).collect();
    let digits = digits.filter(|digits| digits.len() % 2 == 0)?;
    let pairs = digits.chunks_exact(2);
    pairs
        .map(|pair| u8::try_from(pair[0] * 16 + pair[1]).ok())
        .collect()
}

impl FromStr for Commitment {
    type Err = String;

    fn from_str(text: &str) -> Result<Commitment, String> {
        let bytes = unhex(text).and_then(|bytes| bytes.try_into().ok());
        let wrong = || format!("{text:?} is no commitment: 64 hexadecimal digits");
        bytes.map(Commitment).ok_or_else(wrong)
    }
}

impl fmt::Display for Commitment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hex(&self.0))
    }
}

impl fmt::Debug for Commitment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Commitment({self})")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn closed(text: &str) -> Envelope {
        Envelope::close(
            text,
            "sealed-1",
            &["platters.rpm".to_owned()],
            [9; SALT_BYTES],
        )
    }

    #[test]
    fn what_was_put_in_comes_out_and_is_not_seen_outside() {
        let envelope = closed("rpm = 5912.5 and more");
        let text = envelope.to_text();
        assert!(!text.contains("5912"), "{text}");
        let read = Envelope::from_text(&text).unwrap().unwrap();
        assert_eq!(read, envelope);
        assert_eq!(read.open().unwrap(), "rpm = 5912.5 and more");
    }

    #[test]
    fn a_profile_is_no_envelope() {
        for name in crate::profile::Profile::built_in_names() {
            let text = crate::profile::Profile::built_in(name).unwrap();
            assert!(Envelope::from_text(text).is_none(), "{name}");
        }
    }

    #[test]
    fn whatever_is_changed_is_noticed() {
        let text = closed("rpm = 5900").to_text();
        let other = closed("rpm = 5901");
        for (from, to) in [
            ("sealed-1", "sealed-2"),
            ("platters.rpm", "platters.rpN"),
            (
                &*closed("rpm = 5900").commitment.to_string(),
                &*other.commitment.to_string(),
            ),
        ] {
            let changed = text.replacen(from, to, 1);
            assert_ne!(changed, text);
            let told = Envelope::from_text(&changed).unwrap().unwrap().open();
            assert!(
                matches!(told, Err(EnvelopeError::Changed { .. })),
                "{changed}"
            );
        }
    }

    #[test]
    fn the_hash_is_that_of_the_standard() {
        // FIPS 180-4, example of one block: SHA-256 of "abc".
        let hash: [u8; 32] = Sha256::digest(b"abc").into();
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(Commitment(hash).to_string(), expected);
        assert_eq!(expected.parse(), Ok(Commitment(hash)));
    }

    proptest! {
        #[test]
        fn no_byte_of_the_content_can_be_changed(at in 0..84_usize, digit in 0..16_u32) {
            let text = closed("rpm = 5900").to_text();
            let start = text.find("content = \"").unwrap() + 11;
            let digit = char::from_digit(digit, 16).unwrap().to_string();
            let mut changed = text.clone();
            changed.replace_range(start + at..=start + at, &digit);
            let opened = Envelope::from_text(&changed).unwrap().unwrap().open();
            prop_assert_eq!(opened.is_ok(), changed == text);
        }

        #[test]
        fn no_text_makes_it_panic(rest in ".{0,80}") {
            let told = Envelope::from_text(&format!("{MARK}\n[envelope]\n{rest}"));
            prop_assert!(told.unwrap().is_err());
        }
    }
}
