//! Owns the negotiation of a connection: greeting, options, and how it ends.
//!
//! Fixed newstyle ("Fixed newstyle negotiation"). States: greeted, haggling (in the clear or
//! encrypted), and then either transmission or the end. An option's data is bounded before memory
//! is taken for it; every option must arrive within the connection's patience; starting TLS
//! forgets all that was negotiated in the clear. Nothing here reads or writes the drive.

use std::io::{self, Read, Write};
use std::sync::Arc;

use rustls::ServerConfig;

use super::meta_context::{Context, Contexts};
use super::options::{InfoQuery, MetaQuery, Replies, export_name_answer, is_export};
use super::stream::Talk;
use super::wire::{
    GREETING, OPTION_MAGIC, OptionKind, OptionReply, Style, as_string, handshake_flag,
};
use crate::host::handle::DriveInfo;
use crate::units::index;

/// Longest option data that is looked at.
const OPTION_BYTES_MAX: u32 = 64 << 10;
/// Longest option data that is read past; beyond, the connection ends.
const OPTION_SKIP_BYTES_MAX: u32 = 1 << 20;
/// Options a client may send before it must have decided.
const OPTIONS_MAX: u32 = 1024;

/// What a connection may negotiate.
pub(super) struct Terms<'a> {
    pub(super) drive: &'a DriveInfo,
    pub(super) tls: &'a Encryption,
}

/// Whether TLS is offered or demanded.
pub(super) enum Encryption {
    Off,
    On(Arc<ServerConfig>),
    Require(Arc<ServerConfig>),
}

/// What was negotiated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Session {
    pub(super) style: Style,
    pub(super) contexts: Contexts,
}

/// Why a connection had to end.
#[derive(Debug, thiserror::Error)]
pub(super) enum Broken {
    /// The client vanished, was too slow, or TLS failed.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// The client broke a rule that leaves nothing to go on with.
    #[error("{0}")]
    Rule(&'static str),
}

/// What one option leads to.
enum Step {
    Reply(Replies),
    StartTls(Replies, Arc<ServerConfig>),
    /// The last bytes of the negotiation.
    Transmit(Vec<u8>),
    Abort(Replies),
}

struct Haggle<'a> {
    terms: &'a Terms<'a>,
    fixed: bool,
    no_zeroes: bool,
    encrypted: bool,
    session: Session,
}

/// Negotiates until the client chooses the export (`Some`) or says goodbye (`None`).
pub(super) fn negotiate(talk: &mut Talk, terms: &Terms<'_>) -> Result<Option<Session>, Broken> {
    let (fixed, no_zeroes) = greet(talk)?;
    let mut haggle = Haggle {
        terms,
        fixed,
        no_zeroes,
        encrypted: talk.is_encrypted(),
        session: Session::default(),
    };
    for _ in 0..OPTIONS_MAX {
        talk.progress();
        let (number, data) = read_option(talk)?;
        let step = match data {
            Some(data) => haggle.answer(number, &data)?,
            None => Step::Reply(Replies::to(number).and(
                OptionReply::TooBig,
                "an option's data may have 64 KiB at most",
            )),
        };
        match step {
            Step::Reply(replies) => send(talk, replies.bytes())?,
            Step::StartTls(replies, config) => {
                send(talk, replies.bytes())?;
                talk.start_tls(config)?;
                haggle.encrypted = true;
                haggle.session = Session::default();
            }
            Step::Transmit(bytes) => {
                send(talk, &bytes)?;
                return Ok(Some(haggle.session));
            }
            Step::Abort(replies) => {
                // The client need not wait for the answer.
                let _ = send(talk, replies.bytes());
                talk.close();
                return Ok(None);
            }
        }
    }
    Err(Broken::Rule("too many options without a decision"))
}

/// Greets; returns whether the client speaks fixed newstyle and goes without zeroes.
fn greet(talk: &mut Talk) -> Result<(bool, bool), Broken> {
    let offered = handshake_flag::FIXED_NEWSTYLE | handshake_flag::NO_ZEROES;
    let mut greeting = GREETING.to_be_bytes().to_vec();
    greeting.extend(OPTION_MAGIC.to_be_bytes());
    greeting.extend(offered.to_be_bytes());
    send(talk, &greeting)?;
    let mut flags = [0; 4];
    talk.read_exact(&mut flags)?;
    let flags = u32::from_be_bytes(flags);
    if flags & !u32::from(offered) != 0 {
        return Err(Broken::Rule("the client set flags that were not offered"));
    }
    let set = |flag: u16| flags & u32::from(flag) != 0;
    Ok((
        set(handshake_flag::FIXED_NEWSTYLE),
        set(handshake_flag::NO_ZEROES),
    ))
}

/// Reads an option; without its data where that is too long.
fn read_option(talk: &mut Talk) -> Result<(u32, Option<Vec<u8>>), Broken> {
    let mut header = [0; 16];
    talk.read_exact(&mut header)?;
    let mut fields = super::wire::Fields(&header);
    let (magic, number, bytes) = (fields.u64(), fields.u32(), fields.u32());
    let (Some(OPTION_MAGIC), Some(number), Some(bytes)) = (magic, number, bytes) else {
        return Err(Broken::Rule(
            "what should be an option does not start like one",
        ));
    };
    if bytes > OPTION_SKIP_BYTES_MAX {
        return Err(Broken::Rule("an option's data is absurdly long"));
    }
    if bytes > OPTION_BYTES_MAX {
        let skipped = io::copy(&mut talk.take(u64::from(bytes)), &mut io::sink())?;
        if skipped < u64::from(bytes) {
            return Err(Broken::Io(io::ErrorKind::UnexpectedEof.into()));
        }
        return Ok((number, None));
    }
    let mut data = vec![0; index(u64::from(bytes))];
    talk.read_exact(&mut data)?;
    Ok((number, Some(data)))
}

fn send(talk: &mut Talk, bytes: &[u8]) -> io::Result<()> {
    talk.write_all(bytes)?;
    talk.flush()
}

impl Haggle<'_> {
    fn answer(&mut self, number: u32, data: &[u8]) -> Result<Step, Broken> {
        let option = OptionKind::from(number);
        if !self.fixed && option != OptionKind::ExportName {
            return Err(Broken::Rule("an option needs fixed newstyle negotiation"));
        }
        let tls_missing = matches!(self.terms.tls, Encryption::Require(_)) && !self.encrypted;
        let replies = Replies::to(number);
        let reply = match option {
            OptionKind::Abort => return Ok(Step::Abort(replies.and(OptionReply::Ack, ""))),
            OptionKind::StartTls => return Ok(self.start_tls(replies, data)),
            OptionKind::ExportName if tls_missing => {
                return Err(Broken::Rule("the client chose the export without TLS"));
            }
            _ if tls_missing => replies.and(
                OptionReply::TlsRequired,
                "this server insists on TLS: start it first",
            ),
            OptionKind::ExportName => return self.export_name(data),
            OptionKind::Go => return Ok(self.go(replies, data)),
            OptionKind::Info => self.info(replies, data).unwrap_or_else(|refusal| refusal),
            OptionKind::List if data.is_empty() => {
                let mut replies = replies;
                replies.add_export(self.terms.drive);
                replies.and(OptionReply::Ack, "")
            }
            OptionKind::List => replies.and(OptionReply::Invalid, "LIST takes no data"),
            OptionKind::StructuredReply => self.structured(replies, data),
            OptionKind::ExtendedHeaders => self.extended(replies, data),
            OptionKind::ListMetaContext => self.meta_context(replies, data, true),
            OptionKind::SetMetaContext => self.meta_context(replies, data, false),
            OptionKind::Unknown => replies.and(OptionReply::Unsupported, "unknown option"),
        };
        Ok(Step::Reply(reply))
    }

    fn start_tls(&self, replies: Replies, data: &[u8]) -> Step {
        let (kind, words) = match self.terms.tls {
            _ if !data.is_empty() => (OptionReply::Invalid, "STARTTLS takes no data"),
            _ if self.encrypted => (OptionReply::Invalid, "TLS is running already"),
            Encryption::Off => (OptionReply::Policy, "this server has no TLS configured"),
            Encryption::On(config) | Encryption::Require(config) => {
                return Step::StartTls(replies.and(OptionReply::Ack, ""), Arc::clone(config));
            }
        };
        Step::Reply(replies.and(kind, words))
    }

    fn export_name(&self, data: &[u8]) -> Result<Step, Broken> {
        let known = as_string(data).is_some_and(|name| is_export(self.terms.drive, name));
        if !known {
            return Err(Broken::Rule(
                "the client chose an export that does not exist",
            ));
        }
        let style = self.session.style;
        let answer = export_name_answer(self.terms.drive, style, self.no_zeroes);
        Ok(Step::Transmit(answer))
    }

    fn go(&self, replies: Replies, data: &[u8]) -> Step {
        match self.info(replies, data) {
            Ok(replies) => Step::Transmit(replies.bytes().to_vec()),
            Err(replies) => Step::Reply(replies),
        }
    }

    /// The answer to INFO and GO, or the refusal.
    fn info(&self, mut replies: Replies, data: &[u8]) -> Result<Replies, Replies> {
        let Some(query) = InfoQuery::parse(data) else {
            return Err(replies.and(OptionReply::Invalid, "malformed data"));
        };
        if !is_export(self.terms.drive, query.export) {
            return Err(self.no_such_export(replies));
        }
        replies.add_info(self.terms.drive, self.session.style, &query.items);
        Ok(replies.and(OptionReply::Ack, ""))
    }

    fn structured(&mut self, replies: Replies, data: &[u8]) -> Replies {
        match self.session.style {
            _ if !data.is_empty() => {
                replies.and(OptionReply::Invalid, "STRUCTURED_REPLY takes no data")
            }
            Style::Extended => replies.and(
                OptionReply::ExtendedHeadersRequired,
                "extended headers are in use, which include structured replies",
            ),
            Style::Simple | Style::Structured => {
                self.session.style = Style::Structured;
                replies.and(OptionReply::Ack, "")
            }
        }
    }

    fn extended(&mut self, replies: Replies, data: &[u8]) -> Replies {
        if !data.is_empty() {
            return replies.and(OptionReply::Invalid, "EXTENDED_HEADERS takes no data");
        }
        self.session.style = Style::Extended;
        replies.and(OptionReply::Ack, "")
    }

    fn meta_context(&mut self, mut replies: Replies, data: &[u8], listing: bool) -> Replies {
        if !listing {
            // Even a failed choice replaces the one before.
            self.session.contexts = Contexts::default();
        }
        if self.session.style == Style::Simple {
            return replies.and(OptionReply::Invalid, "contexts need structured replies");
        }
        let Some(query) = MetaQuery::parse(data) else {
            return replies.and(OptionReply::Invalid, "malformed data");
        };
        if !is_export(self.terms.drive, query.export) {
            return self.no_such_export(replies);
        }
        let contexts = if self.terms.drive.discreet {
            Contexts::default()
        } else {
            query.contexts(listing)
        };
        for context in contexts.iter() {
            replies.add_context(context, if listing { 0 } else { Context::id(context) });
        }
        if !listing {
            self.session.contexts = contexts;
        }
        replies.and(OptionReply::Ack, "")
    }

    fn no_such_export(&self, replies: Replies) -> Replies {
        let name = &self.terms.drive.name;
        let words = format!("no such export; there is only the default one, also called {name}");
        replies.and(OptionReply::Unknown, &words)
    }
}
