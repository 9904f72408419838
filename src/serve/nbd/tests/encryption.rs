//! TLS: when it is offered, demanded, and to whom.

use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use rcgen::{CertificateParams, CertifiedIssuer, KeyPair};
use rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};
use rustls_pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use tempfile::TempDir;

use super::client::{Client, READ, Speech, WRITE, command, info_data};
use super::stand_in::{Stand, info};
use crate::serve::nbd::{NbdConfig, NbdError, NbdServer, Tls, TlsError, TlsFiles};

const TLS_REQUIRED: u32 = (1 << 31) + 5;
const INVALID: u32 = (1 << 31) + 3;

/// An authority, and files of a server certificate it signed.
struct Papers {
    folder: TempDir,
    authority: CertifiedIssuer<'static, KeyPair>,
}

impl Papers {
    fn new() -> Papers {
        let folder = tempfile::tempdir().unwrap();
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.is_ca = rcgen::IsCa::Ca(rcgen::BasicConstraints::Unconstrained);
        let authority = CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap();
        let papers = Papers { folder, authority };
        let (certificate, key) = papers.issue("localhost");
        papers.write("server.pem", &certificate.pem());
        papers.write("server.key", &key.serialize_pem());
        papers.write("authority.pem", &papers.authority.as_ref().pem());
        papers
    }

    fn issue(&self, name: &str) -> (rcgen::Certificate, KeyPair) {
        let params = CertificateParams::new(vec![name.to_owned()]).unwrap();
        let key = KeyPair::generate().unwrap();
        (params.signed_by(&key, &self.authority).unwrap(), key)
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.folder.path().join(name), text).unwrap();
    }

    fn files(&self, check_clients: bool) -> TlsFiles {
        let path = |name| self.folder.path().join(name);
        TlsFiles {
            certificate: path("server.pem"),
            key: path("server.key"),
            client_ca: check_clients.then(|| path("authority.pem")),
        }
    }

    /// A client's configuration, with a certificate of its own signed by `signer`.
    fn client(&self, signer: Option<&Papers>) -> Arc<ClientConfig> {
        let mut roots = RootCertStore::empty();
        roots.add(self.authority.as_ref().der().clone()).unwrap();
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let builder = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_root_certificates(roots);
        Arc::new(match signer {
            None => builder.with_no_client_auth(),
            Some(signer) => {
                let (certificate, key) = signer.issue("client");
                let chain: Vec<CertificateDer<'static>> = vec![certificate.der().clone()];
                let key = PrivateKeyDer::try_from(key.serialize_der()).unwrap();
                builder.with_client_auth_cert(chain, key).unwrap()
            }
        })
    }
}

fn stand(tls: Tls) -> Stand {
    let config = NbdConfig {
        tls,
        ..NbdConfig::default()
    };
    Stand::with(info(), config)
}

/// Greets, starts TLS and goes on encrypted.
fn encrypted(socket: &Path, config: Arc<ClientConfig>) -> std::io::Result<Client> {
    let stream = UnixStream::connect(socket).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(30)))
        .unwrap();
    let mut client = Client::greet_on(Box::new(stream.try_clone().unwrap()), 3);
    assert_eq!(client.option(5, &[]), vec![(1, vec![])]);
    let name = ServerName::try_from("localhost").unwrap();
    let mut connection = ClientConnection::new(config, name).unwrap();
    let mut stream = stream;
    while connection.is_handshaking() {
        connection.complete_io(&mut stream)?;
    }
    client.stream = Box::new(StreamOwned::new(connection, stream));
    Ok(client)
}

fn is_served(client: &mut Client) {
    for (seed, bytes) in [(1, 512), (2, 100 << 10), (3, 8 << 20)] {
        let data = vec![seed; bytes];
        let length = u64::try_from(bytes).unwrap();
        assert_eq!(client.ask(command(WRITE, 512, length), &data).errno, 0);
        let back = client.ask(command(READ, 512, length), &[]);
        assert!(back.errno == 0 && back.data == data);
    }
}

#[test]
fn an_encrypted_client_is_served_in_every_style_and_others_too_unless_tls_is_required() {
    let papers = Papers::new();
    let on = stand(Tls::On(papers.files(false)));
    let require = stand(Tls::Require(papers.files(false)));
    for served in [&on, &require] {
        for speech in Speech::ALL {
            let mut client = encrypted(&served.socket(), papers.client(None)).unwrap();
            assert_eq!(client.option(5, &[])[0].0, INVALID, "TLS twice");
            client.speak(speech);
            client.go("");
            is_served(&mut client);
        }
    }
    is_served(&mut Client::enter(&on.socket(), Speech::Structured));
}

#[test]
fn without_tls_a_server_that_requires_it_refuses_all_but_goodbye() {
    let papers = Papers::new();
    let stand = stand(Tls::Require(papers.files(false)));
    let mut client = Client::greet(&stand.socket(), 3);
    for option in [3, 6, 7, 8, 9, 10, 11, 99] {
        let replies = client.option(option, &info_data("", &[]));
        assert_eq!(replies[0].0, TLS_REQUIRED, "option {option}");
    }
    assert_eq!(client.option(2, &[]), vec![(1, vec![])]);
    let mut client = Client::greet(&stand.socket(), 3);
    client.send_option(1, &[]);
    assert!(client.is_closed());
}

#[test]
fn other_machines_are_served_where_tls_is_required_and_not_where_it_is_only_offered() {
    let papers = Papers::new();
    let stand = stand(Tls::Off);
    let start = |tls| {
        let config = NbdConfig {
            tcp: vec!["0.0.0.0:0".parse().unwrap()],
            tls,
            ..NbdConfig::default()
        };
        NbdServer::start(stand.handle.clone(), config)
    };
    let refused = start(Tls::On(papers.files(false)));
    assert!(matches!(refused, Err(NbdError::NotLoopback { .. })));
    assert!(start(Tls::Require(papers.files(false))).is_ok());
}

#[test]
fn what_was_negotiated_in_the_clear_is_forgotten() {
    let papers = Papers::new();
    let stand = stand(Tls::On(papers.files(false)));
    let stream = UnixStream::connect(stand.socket()).unwrap();
    let mut client = Client::greet_on(Box::new(stream.try_clone().unwrap()), 3);
    client.speak(Speech::Structured);
    assert_eq!(client.option(5, &[]), vec![(1, vec![])]);
    let name = ServerName::try_from("localhost").unwrap();
    let connection = ClientConnection::new(papers.client(None), name).unwrap();
    client.stream = Box::new(StreamOwned::new(connection, stream));
    client.speech = Speech::Simple;
    client.go("");
    is_served(&mut client);
}

#[test]
fn only_clients_whose_certificate_the_authority_signed_get_in() {
    let papers = Papers::new();
    let strangers = Papers::new();
    let stand = stand(Tls::Require(papers.files(true)));
    let mut client = encrypted(&stand.socket(), papers.client(Some(&papers))).unwrap();
    client.go("");
    is_served(&mut client);
    for refused in [papers.client(None), papers.client(Some(&strangers))] {
        // With TLS 1.3 the client may learn of the refusal only at its first read.
        if let Ok(mut client) = encrypted(&stand.socket(), refused) {
            let sent = client.stream.write_all(b"IHAVEOPT\0\0\0\x03\0\0\0\0");
            let read = sent.and_then(|()| client.stream.read_exact(&mut [0; 8]));
            assert!(read.is_err(), "a stranger was answered");
        }
    }
    is_served(&mut client);
}

#[test]
fn a_client_that_talks_nonsense_instead_of_tls_is_dropped_alone() {
    let papers = Papers::new();
    let stand = stand(Tls::Require(papers.files(false)));
    let mut good = encrypted(&stand.socket(), papers.client(None)).unwrap();
    good.go("");
    let mut client = Client::greet(&stand.socket(), 3);
    assert_eq!(client.option(5, &[]), vec![(1, vec![])]);
    client.stream.write_all(&[0x55; 4096]).unwrap();
    let mut rest = Vec::new();
    let _ = client.stream.read_to_end(&mut rest);
    assert!(rest.len() < 100, "an alert at most");
    is_served(&mut good);
}

#[test]
fn files_that_are_missing_empty_or_do_not_match_are_named() {
    let papers = Papers::new();
    let stand = stand(Tls::Off);
    papers.write("empty.pem", "");
    papers.write("other.key", &KeyPair::generate().unwrap().serialize_pem());
    let path = |name: &str| papers.folder.path().join(name);
    let good = papers.files(true);
    let start = |files: TlsFiles| {
        let config = NbdConfig {
            unix: vec![stand.folder.path().join("tls.sock")],
            tls: Tls::Require(files),
            ..NbdConfig::default()
        };
        match NbdServer::start(stand.handle.clone(), config) {
            Err(NbdError::Tls(error)) => error,
            Err(other) => panic!("{other}"),
            Ok(_) => panic!("started"),
        }
    };
    for bad in ["missing.pem", "empty.pem"] {
        let rows = [
            TlsFiles {
                certificate: path(bad),
                ..good.clone()
            },
            TlsFiles {
                key: path(bad),
                ..good.clone()
            },
            TlsFiles {
                client_ca: Some(path(bad)),
                ..good.clone()
            },
        ];
        for files in rows {
            let error = start(files);
            assert!(matches!(error, TlsError::File { .. }), "{error}");
            assert!(error.to_string().contains(bad));
        }
    }
    let mixed = start(TlsFiles {
        key: path("other.key"),
        ..good
    });
    assert!(matches!(mixed, TlsError::Pair { .. }), "{mixed}");
}
