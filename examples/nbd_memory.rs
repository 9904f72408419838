//! Serves a piece of memory over NBD: the frontend alone, without a drive behind it.
//!
//! For trying clients and for measuring what the frontend costs. Arguments: a unix socket or a TCP
//! address, the size in MiB, and optionally `on` or `require` with a certificate, a key and a
//! client authority (PEM files).

#![allow(clippy::print_stdout)] // it is a program

use std::path::PathBuf;
use std::sync::Arc;

use imbrex::drive::request::Whereabouts;
use imbrex::host::handle::{Answer, Ask, Call, DriveInfo, Handle, HostError, Reply, Wake};
use imbrex::serve::nbd::{NbdConfig, NbdServer, Tls, TlsFiles};
use imbrex::units::index;

const SECTOR_BYTES: u64 = 4096;

struct NoWake;

impl Wake for NoWake {
    fn wake(&self) {}
}

struct Memory {
    bytes: Vec<u8>,
    written: Vec<bool>,
}

impl Memory {
    fn answer(&mut self, ask: Ask) -> Result<Answer, HostError> {
        match ask {
            Ask::Read { offset, bytes } => {
                let range = index(offset)..index(offset + bytes);
                Ok(Answer::Data(self.bytes[range].to_vec()))
            }
            Ask::Write { offset, data, .. } => {
                let start = index(offset);
                self.bytes[start..start + data.len()].copy_from_slice(&data);
                self.mark(start, data.len(), true);
                Ok(Answer::Done)
            }
            Ask::Trim { offset, bytes, .. } | Ask::WriteZeroes { offset, bytes, .. } => {
                self.bytes[index(offset)..index(offset + bytes)].fill(0);
                self.mark(index(offset), index(bytes), false);
                Ok(Answer::Done)
            }
            Ask::Flush => Ok(Answer::Done),
            Ask::Whereabouts { offset, bytes } => {
                let sectors = index(offset / SECTOR_BYTES)..index((offset + bytes) / SECTOR_BYTES);
                let place = |written: &bool| match written {
                    true => Whereabouts::Home,
                    false => Whereabouts::Nowhere,
                };
                let sectors = self.written[sectors].iter().map(place);
                Ok(Answer::Whereabouts(
                    sectors.map(|at| (SECTOR_BYTES, at)).collect(),
                ))
            }
            Ask::Status | Ask::Account => Err(HostError::Unsupported),
        }
    }

    fn mark(&mut self, start: usize, bytes: usize, written: bool) {
        let sector = index(SECTOR_BYTES);
        self.written[start / sector..(start + bytes) / sector].fill(written);
    }
}

fn main() -> anyhow::Result<()> {
    env_logger::init();
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let mut config = NbdConfig::default();
    match arguments[0].parse() {
        Ok(address) => config.tcp.push(address),
        Err(_) => config.unix.push(PathBuf::from(&arguments[0])),
    }
    let size = arguments[1].parse::<u64>()? << 20;
    if let [mode, certificate, key, rest @ ..] = &arguments[2..] {
        let files = TlsFiles {
            certificate: certificate.into(),
            key: key.into(),
            client_ca: rest.first().map(PathBuf::from),
        };
        config.tls = match mode.as_str() {
            "require" => Tls::Require(files),
            _ => Tls::On(files),
        };
    }
    let info = DriveInfo {
        name: "memory".to_owned(),
        capacity_bytes: size,
        logical_sector_bytes: 4096,
        physical_sector_bytes: 4096,
        trim: true,
        fast_zeroes: true,
        write_cache: false,
        read_only: false,
    };
    let (calls, owner) = crossbeam_channel::bounded::<Call>(1024);
    let server = NbdServer::start(Handle::new(Arc::new(info), calls, Arc::new(NoWake)), config)?;
    println!("{}", server.addresses()[0]);
    let mut memory = Memory {
        bytes: vec![0; index(size)],
        written: vec![false; index(size / SECTOR_BYTES)],
    };
    for call in &owner {
        let outcome = memory.answer(call.ask);
        (call.reply)(Reply {
            outcome,
            completion: None,
        });
    }
    Ok(())
}
