//! Owns the numbers and the shapes of the NBD protocol as they travel, in network byte order.
//!
//! Section names refer to `doc/proto.md` of the public protocol specification. Nothing here knows
//! what a number leads to, touches a socket or allocates by a length a client sent.

/// "Newstyle negotiation": `NBDMAGIC`.
pub(super) const GREETING: u64 = 0x4e42_444d_4147_4943;
/// "Newstyle negotiation": `IHAVEOPT`, second word of the greeting and first word of every option.
pub(super) const OPTION_MAGIC: u64 = 0x4948_4156_454f_5054;
/// "Fixed newstyle negotiation": first word of every option reply.
pub(super) const OPTION_REPLY_MAGIC: u64 = 0x0003_e889_0455_65a9;
/// "Request message": compact request.
pub(super) const REQUEST_MAGIC: u32 = 0x2560_9513;
/// "Request message": extended request.
pub(super) const EXTENDED_REQUEST_MAGIC: u32 = 0x21e4_1c71;
/// "Simple reply message".
pub(super) const SIMPLE_REPLY_MAGIC: u32 = 0x6744_6698;
/// "Structured reply chunk message".
pub(super) const STRUCTURED_REPLY_MAGIC: u32 = 0x668e_33ef;
/// "Extended reply chunk message".
pub(super) const EXTENDED_REPLY_MAGIC: u32 = 0x6e8a_278c;

/// Longest string the protocol allows ("Conventions").
pub(super) const STRING_BYTES_MAX: u64 = 4096;
/// Largest payload in either direction that this server takes ("Block size constraints" names
/// 32 MiB as the largest that is portable).
pub(super) const PAYLOAD_BYTES_MAX: u32 = 32 << 20;
/// Zeroes after the answer to `EXPORT_NAME` for clients that did not ask to go without.
pub(super) const RESERVED_ZEROES: usize = 124;
/// Bytes of a compact request header.
pub(super) const COMPACT_REQUEST_BYTES: usize = 28;
/// Bytes of an extended request header.
pub(super) const EXTENDED_REQUEST_BYTES: usize = 32;

/// Section "Handshake flags" and "Client flags" (same bits).
pub(super) mod handshake_flag {
    /// Fixed newstyle.
    pub(in super::super) const FIXED_NEWSTYLE: u16 = 1 << 0;
    /// No reserved zeroes after `EXPORT_NAME`.
    pub(in super::super) const NO_ZEROES: u16 = 1 << 1;
}

/// Section "Transmission flags".
pub(super) mod transmission_flag {
    /// The field is meaningful.
    pub(in super::super) const HAS_FLAGS: u16 = 1 << 0;
    /// Writes are refused.
    pub(in super::super) const READ_ONLY: u16 = 1 << 1;
    /// FLUSH is understood.
    pub(in super::super) const SEND_FLUSH: u16 = 1 << 2;
    /// FUA is understood.
    pub(in super::super) const SEND_FUA: u16 = 1 << 3;
    /// Seeks cost.
    pub(in super::super) const ROTATIONAL: u16 = 1 << 4;
    /// TRIM is understood.
    pub(in super::super) const SEND_TRIM: u16 = 1 << 5;
    /// `WRITE_ZEROES` is understood.
    pub(in super::super) const SEND_WRITE_ZEROES: u16 = 1 << 6;
    /// Reads can be kept in one chunk; only with structured replies.
    pub(in super::super) const SEND_DF: u16 = 1 << 7;
    /// A flush on one connection covers what others were acknowledged.
    pub(in super::super) const CAN_MULTI_CONN: u16 = 1 << 8;
    /// CACHE is understood.
    pub(in super::super) const SEND_CACHE: u16 = 1 << 10;
    /// The fast-zero command flag is understood.
    pub(in super::super) const SEND_FAST_ZERO: u16 = 1 << 11;
}

/// Section "Command flags".
pub(super) mod command_flag {
    /// Durable before the reply.
    pub(in super::super) const FUA: u16 = 1 << 0;
    /// Zeroing must keep the space.
    pub(in super::super) const NO_HOLE: u16 = 1 << 1;
    /// One content chunk.
    pub(in super::super) const DF: u16 = 1 << 2;
    /// One extent per context.
    pub(in super::super) const REQ_ONE: u16 = 1 << 3;
    /// Zero fast or not at all.
    pub(in super::super) const FAST_ZERO: u16 = 1 << 4;
    /// The length is that of a payload; only with extended headers.
    pub(in super::super) const PAYLOAD_LEN: u16 = 1 << 5;
}

/// Section "Structured reply flags": last chunk of a reply.
pub(super) const REPLY_DONE: u16 = 1 << 0;

/// Section "Structured reply types".
pub(super) mod chunk {
    /// No payload.
    pub(in super::super) const NONE: u16 = 0;
    /// Offset and bytes.
    pub(in super::super) const OFFSET_DATA: u16 = 1;
    /// Context and 32-bit extents.
    pub(in super::super) const BLOCK_STATUS: u16 = 5;
    /// Context, count and 64-bit extents.
    pub(in super::super) const BLOCK_STATUS_EXT: u16 = 6;
    /// Error number and message.
    pub(in super::super) const ERROR: u16 = (1 << 15) + 1;
}

/// Section "Option reply types".
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum OptionReply {
    Ack,
    Server,
    Info,
    MetaContext,
    Unsupported,
    Policy,
    Invalid,
    TlsRequired,
    Unknown,
    TooBig,
    ExtendedHeadersRequired,
}

impl OptionReply {
    /// The number on the wire.
    pub(super) fn number(self) -> u32 {
        const ERROR: u32 = 1 << 31;
        match self {
            OptionReply::Ack => 1,
            OptionReply::Server => 2,
            OptionReply::Info => 3,
            OptionReply::MetaContext => 4,
            OptionReply::Unsupported => ERROR + 1,
            OptionReply::Policy => ERROR + 2,
            OptionReply::Invalid => ERROR + 3,
            OptionReply::TlsRequired => ERROR + 5,
            OptionReply::Unknown => ERROR + 6,
            OptionReply::TooBig => ERROR + 9,
            OptionReply::ExtendedHeadersRequired => ERROR + 10,
        }
    }
}

/// Section "Option types".
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum OptionKind {
    ExportName,
    Abort,
    List,
    StartTls,
    Info,
    Go,
    StructuredReply,
    ListMetaContext,
    SetMetaContext,
    ExtendedHeaders,
    Unknown,
}

impl From<u32> for OptionKind {
    fn from(number: u32) -> OptionKind {
        match number {
            1 => OptionKind::ExportName,
            2 => OptionKind::Abort,
            3 => OptionKind::List,
            5 => OptionKind::StartTls,
            6 => OptionKind::Info,
            7 => OptionKind::Go,
            8 => OptionKind::StructuredReply,
            9 => OptionKind::ListMetaContext,
            10 => OptionKind::SetMetaContext,
            11 => OptionKind::ExtendedHeaders,
            _ => OptionKind::Unknown,
        }
    }
}

/// Section "Option types", information items of INFO and GO.
pub(super) mod info {
    /// Size and transmission flags; always sent.
    pub(in super::super) const EXPORT: u16 = 0;
    /// Canonical name.
    pub(in super::super) const NAME: u16 = 1;
    /// Words for people.
    pub(in super::super) const DESCRIPTION: u16 = 2;
    /// Smallest, preferred and largest sizes.
    pub(in super::super) const BLOCK_SIZE: u16 = 3;
}

/// Section "Request types".
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Command {
    Read,
    Write,
    Disconnect,
    Flush,
    Trim,
    Cache,
    WriteZeroes,
    BlockStatus,
    Unknown,
}

impl From<u16> for Command {
    fn from(number: u16) -> Command {
        match number {
            0 => Command::Read,
            1 => Command::Write,
            2 => Command::Disconnect,
            3 => Command::Flush,
            4 => Command::Trim,
            5 => Command::Cache,
            6 => Command::WriteZeroes,
            7 => Command::BlockStatus,
            _ => Command::Unknown,
        }
    }
}

/// How replies (and with `Extended`, requests) look on a connection.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Style {
    /// Compact requests, simple replies.
    #[default]
    Simple,
    /// Compact requests, chunks with 32-bit lengths.
    Structured,
    /// Extended requests, chunks with 64-bit lengths.
    Extended,
}

/// A request header as it came; nothing in it has been checked but the magic number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Request {
    pub(super) flags: u16,
    pub(super) command: Command,
    /// The client's name for it ("cookie" or "handle").
    pub(super) cookie: u64,
    pub(super) offset: u64,
    pub(super) bytes: u64,
}

impl Request {
    /// Reads a header in the given style; `None` where the magic number or the size is wrong.
    pub(super) fn decode(header: &[u8], style: Style) -> Option<Request> {
        let mut fields = Fields(header);
        let magic = fields.u32()?;
        let flags = fields.u16()?;
        let command = Command::from(fields.u16()?);
        let cookie = fields.u64()?;
        let offset = fields.u64()?;
        let (expected, bytes) = match style {
            Style::Extended => (EXTENDED_REQUEST_MAGIC, fields.u64()?),
            Style::Simple | Style::Structured => (REQUEST_MAGIC, u64::from(fields.u32()?)),
        };
        (magic == expected && fields.is_empty()).then_some(Request {
            flags,
            command,
            cookie,
            offset,
            bytes,
        })
    }

    /// Bytes that follow the header. With extended headers the flag says so for any command; a
    /// WRITE always carries its data.
    pub(super) fn payload_bytes(&self, style: Style) -> u64 {
        let announced = style == Style::Extended && self.flags & command_flag::PAYLOAD_LEN != 0;
        if self.command == Command::Write || announced {
            self.bytes
        } else {
            0
        }
    }
}

/// Big-endian fields cut off the front of a message; `None` where the message is too short.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fields<'a>(pub(super) &'a [u8]);

impl<'a> Fields<'a> {
    pub(super) fn u16(&mut self) -> Option<u16> {
        self.array().map(u16::from_be_bytes)
    }

    pub(super) fn u32(&mut self) -> Option<u32> {
        self.array().map(u32::from_be_bytes)
    }

    pub(super) fn u64(&mut self) -> Option<u64> {
        self.array().map(u64::from_be_bytes)
    }

    /// A string with a 32-bit length in front, within the protocol's bounds for strings.
    pub(super) fn string(&mut self) -> Option<&'a str> {
        let bytes = u64::from(self.u32()?);
        if bytes > STRING_BYTES_MAX {
            return None;
        }
        let (string, rest) = self.0.split_at_checked(crate::units::index(bytes))?;
        self.0 = rest;
        as_string(string)
    }

    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (field, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*field)
    }
}

/// The bytes as a string of the protocol: UTF-8, no NUL, not too long.
pub(super) fn as_string(bytes: &[u8]) -> Option<&str> {
    let fits = crate::units::count(bytes.len()) <= STRING_BYTES_MAX && !bytes.contains(&0);
    fits.then(|| std::str::from_utf8(bytes).ok()).flatten()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn encode(magic: u32, fields: (u16, u16, u64, u64, u64), style: Style) -> Vec<u8> {
        let (flags, command, cookie, offset, bytes) = fields;
        let mut header = magic.to_be_bytes().to_vec();
        header.extend(flags.to_be_bytes());
        header.extend(command.to_be_bytes());
        header.extend(cookie.to_be_bytes());
        header.extend(offset.to_be_bytes());
        match style {
            Style::Extended => header.extend(bytes.to_be_bytes()),
            _ => header.extend(&bytes.to_be_bytes()[4..]),
        }
        header
    }

    proptest! {
        #[test]
        fn a_header_decodes_to_what_was_encoded_and_only_in_its_own_style(
            fields in (any::<u16>(), 0_u16..10, any::<u64>(), any::<u64>(), any::<u64>()),
        ) {
            let compact = encode(0x2560_9513, fields, Style::Simple);
            let extended = encode(0x21e4_1c71, fields, Style::Extended);
            prop_assert_eq!((compact.len(), extended.len()), (28, 32));
            let rows = [
                (&compact, Style::Structured, fields.4 & 0xffff_ffff),
                (&extended, Style::Extended, fields.4),
            ];
            for (header, style, bytes) in rows {
                let request = Request::decode(header, style).unwrap();
                prop_assert_eq!(request.flags, fields.0);
                prop_assert_eq!(request.command, Command::from(fields.1));
                prop_assert_eq!((request.cookie, request.offset), (fields.2, fields.3));
                prop_assert_eq!(request.bytes, bytes);
            }
            prop_assert_eq!(Request::decode(&compact, Style::Extended), None);
            prop_assert_eq!(Request::decode(&extended, Style::Simple), None);
            prop_assert_eq!(Request::decode(&compact[1..], Style::Simple), None);
        }

        #[test]
        fn fields_never_read_past_the_end(bytes in prop::collection::vec(any::<u8>(), 0..40)) {
            let mut fields = Fields(&bytes);
            let string = fields.string();
            let claimed = bytes.first_chunk::<4>().map(|length| u32::from_be_bytes(*length));
            if let (Some(string), Some(claimed)) = (string, claimed) {
                prop_assert_eq!(u32::try_from(string.len()).unwrap(), claimed);
            } else {
                prop_assert!(string.is_none());
            }
        }
    }

    #[test]
    fn only_writes_and_announced_payloads_follow_a_header() {
        for number in 0..10 {
            for style in [Style::Simple, Style::Structured, Style::Extended] {
                for flags in [0, 1 << 5] {
                    let request = Request {
                        flags,
                        command: Command::from(number),
                        cookie: 0,
                        offset: 0,
                        bytes: 77,
                    };
                    let follows = number == 1 || (style == Style::Extended && flags != 0);
                    assert_eq!(request.payload_bytes(style), if follows { 77 } else { 0 });
                }
            }
        }
    }
}
