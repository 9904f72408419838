//! Owns the two ways from bytes to a drive: making a new image, and opening one that is there.
//!
//! Opening is recovery, always. It reads only, up to the drive's first plan, which settles what was
//! found. The one place where a running drive is composed from a profile. What is wrong with a sealed
//! image is told without a place in it and without a value of its profile.

use std::io;

use super::envelope::{Envelope, EnvelopeError};
use super::error::ImageError;
use super::superblock::{self, DamagedCopy, Identity, NewImage, Superblock};
use crate::drive::Drive;
use crate::drive::back::{Back, InPlace};
use crate::extent::PbaExtent;
use crate::medium::area::AreaKind;
use crate::medium::layout::{Layout, LayoutError};
use crate::medium::store::Store;
use crate::profile::Profile;
use crate::profile::error::ProfileError;
use crate::translation::recovery::{self, Recovered, RecoveryError, Report};
use crate::units::Sectors;

/// Why an image cannot be made or opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The superblock.
    #[error(transparent)]
    Image(#[from] ImageError),
    /// The envelope around the profile.
    #[error(transparent)]
    Envelope(#[from] EnvelopeError),
    /// The profile in the image.
    #[error(transparent)]
    Profile(#[from] ProfileError),
    /// The profile describes a drive whose parts do not fit.
    #[error(transparent)]
    Layout(#[from] LayoutError),
    /// The profile does not describe the drive that the image was made for.
    #[error(
        "the image was made for a drive of {image} sectors with format number {image_format:#x}; its profile describes one of {profile} sectors with number {profile_format:#x}"
    )]
    OtherDrive {
        /// Sectors of the image.
        image: Sectors,
        /// Format number in the superblock.
        image_format: u64,
        /// Sectors that the profile leads to.
        profile: Sectors,
        /// Format number of the profile.
        profile_format: u64,
    },
    /// The map or the journal.
    #[error(transparent)]
    Recovery(#[from] RecoveryError),
    /// Any of these, of a sealed image: where something lies in it tells what it hides.
    #[error("the image is sealed, and {what}")]
    Sealed {
        /// What is wrong.
        what: &'static str,
        /// What the system says, where that is why.
        source: Option<io::Error>,
    },
}

impl OpenError {
    /// The same of a sealed image.
    fn discreet(self) -> OpenError {
        let (what, source) = match self {
            OpenError::Image(ImageError::Io { source, .. })
            | OpenError::Recovery(RecoveryError::Read { source, .. }) => {
                ("it cannot be read or written", Some(source))
            }
            OpenError::Image(_) => ("it is damaged", None),
            OpenError::Recovery(_) => ("its map or its journal is damaged", None),
            OpenError::Profile(_) | OpenError::Layout(_) | OpenError::OtherDrive { .. } => {
                let what =
                    "it was not made for the drive in its envelope: one of the two was changed";
                (what, None)
            }
            // They tell nothing of what is inside.
            OpenError::Envelope(_) | OpenError::Sealed { .. } => return self,
        };
        OpenError::Sealed { what, source }
    }
}

/// An image that was opened.
#[derive(Clone, Debug)]
pub struct Opened {
    /// The drive. Its first effect is the plan that settles the opening, unless it was opened for
    /// reading only.
    pub drive: Drive,
    /// What the image says of itself.
    pub identity: Identity,
    /// What recovery found.
    pub report: Report,
    /// The copy of the superblock that is damaged, if one is.
    pub damaged: Option<DamagedCopy>,
    /// The envelope that hides the profile, if the image is sealed: what would tell the profile's keys
    /// is not to be shown.
    pub sealed: Option<Envelope>,
}

/// Bytes of an image for `profile`.
pub fn image_bytes(profile: &Profile) -> Result<u64, LayoutError> {
    Ok(Layout::new(profile)?.total().bytes())
}

/// Makes an image of `profile` in `store`, which has at least [`image_bytes`] bytes. `id`: random.
pub fn make(store: &dyn Store, profile: &Profile, id: [u8; 16]) -> Result<(), OpenError> {
    make_with(store, (profile, &profile.to_toml()), id)
}

/// Makes a sealed image: the same, with the profile that is in the envelope.
pub fn make_sealed(store: &dyn Store, envelope: &Envelope, id: [u8; 16]) -> Result<(), OpenError> {
    let make = || {
        let profile = profile_in(envelope)?;
        make_with(store, (&profile, &envelope.to_text()), id)
    };
    make().map_err(OpenError::discreet)
}

fn make_with(
    store: &dyn Store,
    (profile, text): (&Profile, &str),
    id: [u8; 16],
) -> Result<(), OpenError> {
    let layout = Layout::new(profile)?;
    let identity = Identity {
        id,
        total: layout.total(),
        fingerprint: profile.format_fingerprint(),
        created_with: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let mut clear = vec![layout.journal()];
    if profile.staging.is_some() {
        clear.extend([0, 1].map(|half| layout.band(layout.map_half(half)).extent()));
    }
    let clear: Vec<PbaExtent> = clear;
    superblock::write_new(
        store,
        &NewImage {
            identity,
            profile_text: text,
            clear: &clear,
        },
    )?;
    Ok(())
}

/// Zeroes what a new drive of `profile` would read though nothing has written it: the data bands,
/// where they count as written from the beginning. For a store that may hold something, such as a
/// block device, before [`make`]. Takes as long as the store takes to forget that much.
pub fn blank(store: &dyn Store, profile: &Profile) -> Result<(), OpenError> {
    if profile.staging.is_some() && !profile.drive.formatted {
        return Ok(());
    }
    let layout = Layout::new(profile)?;
    let data = layout.areas().iter().map(|area| (area.kind, area.extent()));
    for (_, extent) in data.filter(|(kind, _)| *kind == AreaKind::Data) {
        let at = Sectors(extent.start.0).bytes();
        let action = "clear the data bands";
        store
            .zero_at(at, extent.sectors.bytes())
            .map_err(|source| ImageError::Io { action, at, source })?;
    }
    Ok(())
}

/// Opens the image in `store`.
///
/// # Errors
/// Whatever is wrong with it; of a sealed image [`OpenError::Sealed`] or [`OpenError::Envelope`], once it
/// is known to be one.
pub fn open(store: &dyn Store, read_only: bool) -> Result<Opened, OpenError> {
    let found = superblock::read(store)?;
    let Some(envelope) = Envelope::from_text(&found.profile_text) else {
        let profile = Profile::from_toml("the profile in the image", &found.profile_text)?;
        return opened(store, (found, &profile), read_only);
    };
    let open = || {
        let envelope = envelope?;
        let profile = profile_in(&envelope)?;
        let opened = opened(store, (found, &profile), read_only)?;
        Ok(Opened {
            sealed: Some(envelope),
            ..opened
        })
    };
    open().map_err(OpenError::discreet)
}

/// The drive of `profile` that lies in `store`.
fn opened(
    store: &dyn Store,
    (found, profile): (Superblock, &Profile),
    read_only: bool,
) -> Result<Opened, OpenError> {
    let layout = Layout::new(profile)?;
    let fits = found.identity.total == layout.total()
        && found.identity.fingerprint == profile.format_fingerprint();
    if !fits {
        return Err(OpenError::OtherDrive {
            image: found.identity.total,
            image_format: found.identity.fingerprint,
            profile: layout.total(),
            profile_format: profile.format_fingerprint(),
        });
    }
    let (mut drive, report) = match &profile.staging {
        Some(staging) => managed(
            profile,
            recovery::recover(profile, staging, &layout, store)?,
        ),
        None => (in_place(profile, layout), Report::default()),
    };
    if read_only {
        drive.stand_still();
    } else {
        drive.settle_open();
    }
    Ok(Opened {
        drive,
        identity: found.identity,
        report,
        damaged: found.damaged,
        sealed: None,
    })
}

fn profile_in(envelope: &Envelope) -> Result<Profile, OpenError> {
    let text = envelope.open()?;
    Ok(Profile::from_toml("the profile in the envelope", &text)?)
}

/// A new drive without an image, for virtual time: its records are not rendered. It stands where one
/// with an image stands that was just opened for the first time.
pub fn imagined(profile: &Profile) -> Result<Drive, LayoutError> {
    let layout = Layout::new(profile)?;
    let mut drive = match &profile.staging {
        Some(staging) => managed(profile, recovery::fresh(profile, staging, &layout, false)).0,
        None => in_place(profile, layout),
    };
    drive.settle_open();
    Ok(drive)
}

/// The drive of an image in virtual time, in the state in which the image is: nothing is written, and its
/// records are not rendered.
pub fn imagined_from(store: &dyn Store) -> Result<Drive, OpenError> {
    let mut drive = open(store, true)?.drive;
    drive.go_on_without_bytes();
    Ok(drive)
}

fn managed(profile: &Profile, recovered: Recovered) -> (Drive, Report) {
    let back = Back::Managed(Box::new(recovered.translation));
    (
        Drive::new(profile, back, &recovered.written),
        recovered.report,
    )
}

fn in_place(profile: &Profile, layout: Layout) -> Drive {
    Drive::new(
        profile,
        Back::InPlace(InPlace {
            layout,
            unflushed: false,
        }),
        &[],
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::medium::memory_store::MemoryStore;
    use crate::units::{Pba, index};

    /// A store full of what somebody left there, made a drive of `profile`; what its data bands hold.
    fn left_in_data_bands(profile: &Profile) -> Vec<u8> {
        let store = MemoryStore::new(image_bytes(profile).unwrap());
        let junk = vec![0xA5; index(store.bytes().unwrap())];
        store.write_at(&junk, 0).unwrap();
        blank(&store, profile).unwrap();
        make(&store, profile, [1; 16]).unwrap();
        open(&store, true).unwrap();
        let layout = Layout::new(profile).unwrap();
        let mut held = Vec::new();
        for area in layout.areas() {
            let mut bytes = vec![0; index(area.sectors.bytes())];
            store
                .read_at(&mut bytes, Sectors(area.start.0).bytes())
                .unwrap();
            if area.kind == AreaKind::Data {
                held.append(&mut bytes);
            }
        }
        held
    }

    #[test]
    fn what_is_wrong_with_a_sealed_image_is_told_without_a_place_in_it() {
        let tiny = Profile::built_in("tiny").unwrap();
        let profile = Profile::from_toml("tiny", tiny).unwrap();
        let layout = Layout::new(&profile).unwrap();
        let envelope = Envelope::close(tiny, "tiny", &[], [7; 32]);
        let [plain, sealed] = [(); 2].map(|()| MemoryStore::new(layout.total().bytes()));
        make(&plain, &profile, [1; 16]).unwrap();
        make_sealed(&sealed, &envelope, [1; 16]).unwrap();
        assert!(open(&sealed, true).unwrap().sealed.is_some());
        let [plain, sealed] = [plain, sealed].map(|store| {
            for half in [0, 1] {
                let half = layout.band(layout.map_half(half)).extent();
                let junk = vec![0xA5; index(half.sectors.bytes())];
                store
                    .write_at(&junk, Sectors(half.start.0).bytes())
                    .unwrap();
            }
            open(&store, true).unwrap_err()
        });
        assert!(plain.to_string().contains("sector"), "{plain}");
        let full = || io::Error::from(io::ErrorKind::StorageFull);
        let others = [
            OpenError::Image(ImageError::Io {
                action: "write a record",
                at: 4711,
                source: full(),
            }),
            OpenError::Recovery(RecoveryError::Read {
                at: Pba(4711),
                sectors: Sectors(3),
                source: full(),
            }),
            OpenError::OtherDrive {
                image: Sectors(4711),
                image_format: 1,
                profile: Sectors(2),
                profile_format: 3,
            },
        ];
        for told in others.map(OpenError::discreet).iter().chain([&sealed]) {
            let words = told.to_string();
            assert!(words.starts_with("the image is sealed, and it"), "{words}");
            assert!(!words.contains(|c: char| c.is_ascii_digit()), "{words}");
        }
        assert!(!format!("{sealed:?}").contains("sector"), "{sealed:?}");
    }

    #[test]
    fn a_drive_that_counts_as_written_holds_zeroes_whatever_the_store_held() {
        let tiny = Profile::built_in("tiny").unwrap();
        let formatted = tiny.replace("formatted = false", "formatted = true");
        let formatted = Profile::from_toml("formatted", &formatted).unwrap();
        let held = left_in_data_bands(&formatted);
        assert!(!held.is_empty() && held.iter().all(|&byte| byte == 0));
        // One that does not never looks at what lies there.
        let as_it_is = Profile::from_toml("tiny", tiny).unwrap();
        assert!(left_in_data_bands(&as_it_is).contains(&0xA5));
    }
}
