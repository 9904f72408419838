//! Owns the data of options and of their replies: parsing what clients send, building answers.
//!
//! Sections "Option types" and "Option reply types" of the protocol specification. Parsing takes
//! exactly the whole data or nothing. Nothing here decides or talks to a socket.

use super::meta_context::{Context, Contexts};
use super::wire::{
    Fields, OPTION_REPLY_MAGIC, OptionReply, PAYLOAD_BYTES_MAX, RESERVED_ZEROES, Style, info,
    transmission_flag,
};
use crate::host::handle::DriveInfo;
use crate::units::count;

/// Preferred block size told to clients: the physical sector of every drive.
const PREFERRED_BYTES: u32 = 4096;

/// Data of INFO and GO.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct InfoQuery<'a> {
    pub(super) export: &'a str,
    /// Items asked for.
    pub(super) items: Vec<u16>,
}

impl<'a> InfoQuery<'a> {
    pub(super) fn parse(data: &'a [u8]) -> Option<InfoQuery<'a>> {
        let mut fields = Fields(data);
        let export = fields.string()?;
        let mut items = Vec::new();
        for _ in 0..fields.u16()? {
            items.push(fields.u16()?);
        }
        fields.is_empty().then_some(InfoQuery { export, items })
    }
}

/// Data of `LIST_META_CONTEXT` and `SET_META_CONTEXT`.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct MetaQuery<'a> {
    pub(super) export: &'a str,
    /// Contexts asked for, or namespaces of them.
    pub(super) queries: Vec<&'a str>,
}

impl<'a> MetaQuery<'a> {
    pub(super) fn parse(data: &'a [u8]) -> Option<MetaQuery<'a>> {
        let mut fields = Fields(data);
        let export = fields.string()?;
        // Grown as queries are found: the number itself is only a claim.
        let mut queries = Vec::new();
        for _ in 0..fields.u32()? {
            queries.push(fields.string()?);
        }
        fields.is_empty().then_some(MetaQuery { export, queries })
    }

    /// The contexts that are meant. Listing without a query means all.
    pub(super) fn contexts(&self, listing: bool) -> Contexts {
        let mut contexts = Contexts::default();
        if listing && self.queries.is_empty() {
            for context in Context::ALL {
                contexts.insert(context);
            }
        }
        for query in &self.queries {
            contexts.add_matching(query, listing);
        }
        contexts
    }
}

/// The replies to one option, collected so that they leave together.
pub(super) struct Replies {
    option: u32,
    bytes: Vec<u8>,
}

impl Replies {
    /// None yet, for the option with this number.
    pub(super) fn to(option: u32) -> Replies {
        Replies {
            option,
            bytes: Vec::new(),
        }
    }

    /// Adds a reply.
    pub(super) fn add(&mut self, kind: OptionReply, data: &[u8]) {
        let length = u32::try_from(data.len()).expect("replies are built here and are short");
        self.bytes.extend(OPTION_REPLY_MAGIC.to_be_bytes());
        self.bytes.extend(self.option.to_be_bytes());
        self.bytes.extend(kind.number().to_be_bytes());
        self.bytes.extend(length.to_be_bytes());
        self.bytes.extend(data);
    }

    /// Adds a reply that is only words, or only its kind.
    #[must_use]
    pub(super) fn and(mut self, kind: OptionReply, words: &str) -> Replies {
        self.add(kind, words.as_bytes());
        self
    }

    /// All of them.
    pub(super) fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Adds what LIST tells of the only export.
    pub(super) fn add_export(&mut self, drive: &DriveInfo) {
        let mut data = length_of(&drive.name).to_be_bytes().to_vec();
        data.extend(drive.name.as_bytes());
        data.extend(description(drive).as_bytes());
        self.add(OptionReply::Server, &data);
    }

    /// Adds a context; its number is 0 where contexts are only listed.
    pub(super) fn add_context(&mut self, context: Context, id: u32) {
        let mut data = id.to_be_bytes().to_vec();
        data.extend(context.name().as_bytes());
        self.add(OptionReply::MetaContext, &data);
    }

    /// Adds the information of INFO and GO: size, flags and block sizes always, names and words if
    /// asked for.
    pub(super) fn add_info(&mut self, drive: &DriveInfo, style: Style, items: &[u16]) {
        let mut export = info::EXPORT.to_be_bytes().to_vec();
        export.extend(drive.capacity_bytes.to_be_bytes());
        export.extend(transmission_flags(drive, style).to_be_bytes());
        self.add(OptionReply::Info, &export);
        let texts = [
            (info::NAME, drive.name.clone()),
            (info::DESCRIPTION, description(drive)),
        ];
        for (item, text) in texts {
            if items.contains(&item) {
                let mut data = item.to_be_bytes().to_vec();
                data.extend(text.as_bytes());
                self.add(OptionReply::Info, &data);
            }
        }
        let mut sizes = info::BLOCK_SIZE.to_be_bytes().to_vec();
        for size in [
            drive.logical_sector_bytes,
            PREFERRED_BYTES,
            PAYLOAD_BYTES_MAX,
        ] {
            sizes.extend(size.to_be_bytes());
        }
        self.add(OptionReply::Info, &sizes);
    }
}

/// The whole answer to `EXPORT_NAME`, which has a form of its own.
pub(super) fn export_name_answer(drive: &DriveInfo, style: Style, no_zeroes: bool) -> Vec<u8> {
    let mut bytes = drive.capacity_bytes.to_be_bytes().to_vec();
    bytes.extend(transmission_flags(drive, style).to_be_bytes());
    if !no_zeroes {
        bytes.extend([0; RESERVED_ZEROES]);
    }
    bytes
}

/// Whether a client that asks for this export means the one there is.
pub(super) fn is_export(drive: &DriveInfo, name: &str) -> bool {
    name.is_empty() || name == drive.name
}

/// What the drive and this server can do, as the client is told. `SEND_DF` must be left out where
/// replies are not structured.
pub(super) fn transmission_flags(drive: &DriveInfo, style: Style) -> u16 {
    let mut flags = transmission_flag::HAS_FLAGS
        | transmission_flag::SEND_FLUSH
        | transmission_flag::SEND_FUA
        | transmission_flag::ROTATIONAL
        | transmission_flag::SEND_WRITE_ZEROES
        | transmission_flag::CAN_MULTI_CONN
        | transmission_flag::SEND_CACHE
        | transmission_flag::SEND_FAST_ZERO;
    let conditional = [
        (drive.read_only, transmission_flag::READ_ONLY),
        (drive.trim, transmission_flag::SEND_TRIM),
        (style != Style::Simple, transmission_flag::SEND_DF),
    ];
    for (holds, flag) in conditional {
        if holds {
            flags |= flag;
        }
    }
    flags
}

fn description(drive: &DriveInfo) -> String {
    format!(
        "imbrex drive {}, {} bytes, sectors of {} bytes over {}",
        drive.name, drive.capacity_bytes, drive.logical_sector_bytes, drive.physical_sector_bytes
    )
}

fn length_of(name: &str) -> u32 {
    u32::try_from(count(name.len())).expect("profile names are short")
}
