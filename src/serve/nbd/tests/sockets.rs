//! Where a server listens, whom it lets in, and how it ends.

use std::net::{SocketAddr, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixListener;
use std::time::Duration;

use super::client::{Client, FLUSH, READ, Speech, WRITE, command};
use super::stand_in::{Stand, info, socket_in};
use crate::serve::nbd::{Address, Limits, NbdConfig, NbdError, NbdServer, Place};

#[test]
fn the_unix_socket_is_private_and_goes_away_with_the_server() {
    let mut stand = Stand::new();
    let mode = std::fs::metadata(stand.socket())
        .unwrap()
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o600);
    let address = Address {
        place: Place::Unix(stand.socket()),
        tls_required: false,
    };
    assert_eq!(stand.server().addresses(), [address]);
    let mut client = Client::enter(&stand.socket(), Speech::Simple);
    assert_eq!(client.ask(command(FLUSH, 0, 0), &[]).errno, 0);
    stand.server.take().unwrap().stop();
    assert!(client.is_closed());
    assert!(!stand.socket().exists());
}

#[test]
fn an_address_is_a_uri_whatever_the_path_is() {
    for (path, query) in [
        ("/run/drive-1.sock", "/run/drive-1.sock"),
        (
            "/a b/100%/x&y=z+?#.sock",
            "/a%20b/100%25/x%26y%3Dz%2B%3F%23.sock",
        ),
        ("/größe", "/gr%C3%B6%C3%9Fe"),
    ] {
        for (tls_required, scheme) in [(false, "nbd+unix"), (true, "nbds+unix")] {
            let place = Place::Unix(path.into());
            let address = Address {
                place,
                tls_required,
            };
            assert_eq!(address.to_string(), format!("{scheme}:///?socket={query}"));
        }
    }
}

#[test]
fn a_live_socket_is_refused_a_stale_one_replaced_and_other_files_are_left_alone() {
    let stand = Stand::new();
    let start = |path| {
        let config = NbdConfig {
            unix: vec![path],
            ..NbdConfig::default()
        };
        NbdServer::start(stand.handle.clone(), config)
    };
    assert!(matches!(start(stand.socket()), Err(NbdError::Live { .. })));
    assert!(stand.socket().exists());
    let stale = stand.folder.path().join("stale.sock");
    drop(UnixListener::bind(&stale).unwrap());
    let server = start(stale.clone()).unwrap();
    Client::enter(&stale, Speech::Simple);
    server.stop();
    let file = stand.folder.path().join("file");
    std::fs::write(&file, "precious").unwrap();
    assert!(matches!(
        start(file.clone()),
        Err(NbdError::NotASocket { .. })
    ));
    assert_eq!(std::fs::read(&file).unwrap(), b"precious");
}

#[test]
fn a_socket_file_that_took_the_name_of_ours_survives_our_end() {
    let mut stand = Stand::new();
    std::fs::remove_file(stand.socket()).unwrap();
    let _other = UnixListener::bind(stand.socket()).unwrap();
    stand.server.take().unwrap().stop();
    assert!(stand.socket().exists());
}

#[test]
fn tcp_serves_on_loopback_and_elsewhere_only_when_told() {
    let config = |address: &str, allow_remote| NbdConfig {
        tcp: vec![address.parse::<SocketAddr>().unwrap()],
        allow_remote,
        ..NbdConfig::default()
    };
    let stand = Stand::with(info(), config("127.0.0.1:0", false));
    let Place::Tcp(address) = stand.server().addresses()[1].place else {
        panic!("the second address is TCP");
    };
    let stream = TcpStream::connect(address).unwrap();
    let mut client = Client::greet_on(Box::new(stream), 3);
    client.go("");
    assert_eq!(client.ask(command(WRITE, 0, 512), &[1; 512]).errno, 0);
    assert_eq!(client.ask(command(READ, 0, 512), &[]).data, [1; 512]);
    let refused = NbdServer::start(stand.handle.clone(), config("0.0.0.0:0", false));
    assert!(matches!(refused, Err(NbdError::NotLoopback { .. })));
    assert!(NbdServer::start(stand.handle.clone(), config("0.0.0.0:0", true)).is_ok());
}

#[test]
fn no_address_and_impossible_limits_are_refused() {
    let stand = Stand::new();
    let nowhere = NbdServer::start(stand.handle.clone(), NbdConfig::default());
    assert!(matches!(nowhere, Err(NbdError::NoAddress)));
    let good = Limits::default();
    for limits in [
        Limits {
            connections: 0,
            ..good
        },
        Limits {
            connection_requests: 0,
            ..good
        },
        Limits {
            connection_bytes: (32 << 20) - 1,
            ..good
        },
        Limits {
            shared_bytes: (32 << 20) - 1,
            ..good
        },
    ] {
        let config = NbdConfig {
            unix: vec![socket_in(stand.folder.path())],
            limits,
            ..NbdConfig::default()
        };
        let refused = NbdServer::start(stand.handle.clone(), config);
        assert!(matches!(refused, Err(NbdError::Limit { .. })), "{limits:?}");
    }
}

#[test]
fn stopping_answers_what_the_drive_answers_in_time() {
    let mut stand = Stand::new();
    let mut client = Client::enter(&stand.socket(), Speech::Structured);
    for cookie in 0..50 {
        client.send(command(READ, 0, 1 << 20), cookie, &[]);
    }
    // From here on the connection is certainly being served.
    assert_eq!(client.reply(true, 1 << 20).errno, 0);
    let server = stand.server.take().unwrap();
    let stopping = std::thread::spawn(move || server.stop());
    let mut rest = Vec::new();
    client.stream.read_to_end(&mut rest).unwrap();
    stopping.join().unwrap();
    // Only whole replies: 20 bytes of chunk header, 8 of offset, and the data.
    assert_eq!(rest.len() % (28 + (1 << 20)), 0);
}

#[test]
fn stopping_does_not_wait_for_ever_for_a_drive_that_keeps_its_asks() {
    let config = NbdConfig {
        stop_grace: Duration::from_millis(50),
        ..NbdConfig::default()
    };
    let mut stand = Stand::with(info(), config);
    let mut client = Client::enter(&stand.socket(), Speech::Simple);
    stand.hold_calls();
    client.send(command(READ, 0, 512), 1, &[]);
    stand.server.take().unwrap().stop();
    assert!(client.is_closed());
}
