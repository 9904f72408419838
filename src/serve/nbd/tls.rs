//! Owns encryption: loading certificates, and the two halves of an encrypted stream.
//!
//! The halves share one TLS state. Only the writing half writes to the socket, so records leave in
//! the order they were made; the reading half never holds the state while it waits.

use std::io::{self, IoSlice, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rustls::server::WebPkiClientVerifier;
use rustls::{RootCertStore, ServerConfig, ServerConnection};
use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, PrivateKeyDer};

use super::socket::Socket;

/// Where the certificates are and whether clients must use them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TlsFiles {
    /// The server's certificate chain, PEM, its own certificate first.
    pub certificate: PathBuf,
    /// The private key of the first certificate, PEM.
    pub key: PathBuf,
    /// Certificates (PEM) one of which must have signed every client's certificate. Without,
    /// clients need none.
    pub client_ca: Option<PathBuf>,
}

/// Whether connections are encrypted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Tls {
    /// Never.
    #[default]
    Off,
    /// If the client asks.
    On(TlsFiles),
    /// Always: a client can do nothing before it has started TLS.
    Require(TlsFiles),
}

/// Why TLS cannot be offered.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A PEM file cannot be read or has nothing of the kind in it.
    #[error("cannot read the {what} from {path}; it must be a PEM file")]
    File {
        /// What it should hold.
        what: &'static str,
        /// Which file.
        path: PathBuf,
        /// Why not.
        source: rustls_pki_types::pem::Error,
    },
    /// The certificate and the key do not belong together, or are of no use.
    #[error("the certificate in {certificate} and the key in {key} cannot be used together")]
    Pair {
        /// The certificate's file.
        certificate: PathBuf,
        /// The key's file.
        key: PathBuf,
        /// Why not.
        source: rustls::Error,
    },
    /// The client authority cannot vouch for anybody.
    #[error("the certificates in {path} cannot be used to check clients: {why}")]
    ClientAuthority {
        /// Which file.
        path: PathBuf,
        /// Why not.
        why: String,
    },
}

/// Reads the files and makes the configuration all connections share.
pub(super) fn load(files: &TlsFiles) -> Result<Arc<ServerConfig>, TlsError> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let chain = certificates("server certificate", &files.certificate)?;
    let key = PrivateKeyDer::from_pem_file(&files.key).map_err(|source| TlsError::File {
        what: "private key",
        path: files.key.clone(),
        source,
    })?;
    let pair = |source| TlsError::Pair {
        certificate: files.certificate.clone(),
        key: files.key.clone(),
        source,
    };
    let builder = ServerConfig::builder_with_provider(Arc::clone(&provider))
        .with_safe_default_protocol_versions()
        .map_err(pair)?;
    let builder = match &files.client_ca {
        None => builder.with_no_client_auth(),
        Some(path) => {
            let refused = |why: String| TlsError::ClientAuthority {
                path: path.clone(),
                why,
            };
            let mut roots = RootCertStore::empty();
            for certificate in certificates("client authority", path)? {
                roots
                    .add(certificate)
                    .map_err(|error| refused(error.to_string()))?;
            }
            let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider)
                .build()
                .map_err(|error| refused(error.to_string()))?;
            builder.with_client_cert_verifier(verifier)
        }
    };
    Ok(Arc::new(
        builder.with_single_cert(chain, key).map_err(pair)?,
    ))
}

fn certificates(what: &'static str, path: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let failed = |source| TlsError::File {
        what,
        path: path.to_owned(),
        source,
    };
    let found: Vec<_> = CertificateDer::pem_file_iter(path)
        .map_err(failed)?
        .collect::<Result<_, _>>()
        .map_err(failed)?;
    if found.is_empty() {
        return Err(failed(rustls_pki_types::pem::Error::NoItemsFound));
    }
    Ok(found)
}

type State = Arc<Mutex<ServerConnection>>;

/// Splits a connection whose handshake is done.
pub(super) fn split(connection: ServerConnection, socket: Arc<Socket>) -> (TlsInlet, TlsOutlet) {
    let state = Arc::new(Mutex::new(connection));
    let inlet = TlsInlet {
        state: Arc::clone(&state),
        socket: Arc::clone(&socket),
        records: vec![0; RECORD_BUFFER_BYTES].into_boxed_slice(),
        pending: 0..0,
    };
    let outlet = TlsOutlet {
        state,
        socket,
        records: Vec::new(),
    };
    (inlet, outlet)
}

/// A few records of the largest size, to save system calls.
const RECORD_BUFFER_BYTES: usize = 64 << 10;

/// The decrypting half.
pub(super) struct TlsInlet {
    state: State,
    socket: Arc<Socket>,
    records: Box<[u8]>,
    /// The part of `records` that TLS has not taken yet.
    pending: std::ops::Range<usize>,
}

impl Read for TlsInlet {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            let mut connection = lock(&self.state);
            match connection.reader().read(buffer) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                result => return result,
            }
            if self.pending.is_empty() {
                drop(connection);
                let bytes = (&*self.socket).read(&mut self.records)?;
                if bytes == 0 {
                    return Ok(0);
                }
                self.pending = 0..bytes;
                continue;
            }
            let mut records = &self.records[self.pending.clone()];
            let taken = connection.read_tls(&mut records)?;
            self.pending.start += taken;
            connection
                .process_new_packets()
                .map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))?;
        }
    }
}

/// The encrypting half.
pub(super) struct TlsOutlet {
    state: State,
    socket: Arc<Socket>,
    records: Vec<u8>,
}

impl TlsOutlet {
    /// Tells the client that nothing more will come.
    pub(super) fn close(&mut self) -> io::Result<()> {
        lock(&self.state).send_close_notify();
        self.flush()
    }
}

impl Write for TlsOutlet {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.write_vectored(&[IoSlice::new(bytes)])
    }

    fn write_vectored(&mut self, slices: &[IoSlice<'_>]) -> io::Result<usize> {
        let taken = lock(&self.state).writer().write_vectored(slices)?;
        self.flush()?;
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.records.clear();
        let mut connection = lock(&self.state);
        while connection.wants_write() {
            connection.write_tls(&mut self.records)?;
        }
        drop(connection);
        (&*self.socket).write_all(&self.records)
    }
}

/// A panic of the other half ends the connection; the state is not used to decide anything else.
fn lock(state: &State) -> MutexGuard<'_, ServerConnection> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}
