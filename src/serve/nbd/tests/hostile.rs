//! What broken and hostile clients can do to others: nothing.
//!
//! Each test keeps a well-behaved witness connected and checks that it is served all along.

use std::io::{Read, Write};
use std::net::Shutdown;
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::time::Duration;

use nix::sys::resource::{Resource, getrlimit, setrlimit};
use rand_chacha::ChaCha8Rng;
use rand_core::{Rng, SeedableRng};

use super::client::{Client, READ, Speech, WRITE, command, info_data, meta_data};
use super::stand_in::{CAPACITY, Stand, info};
use crate::serve::nbd::{Limits, NbdConfig};

/// A client that checks a sector it wrote.
struct Witness(Client);

impl Witness {
    fn new(socket: &Path) -> Witness {
        let mut client = Client::enter(socket, Speech::Structured);
        let last = command(WRITE, CAPACITY - 512, 512);
        assert_eq!(client.ask(last, &[0xa5; 512]).errno, 0);
        Witness(client)
    }

    fn is_served(&mut self) {
        let reply = self.0.ask(command(READ, CAPACITY - 512, 512), &[]);
        assert_eq!((reply.errno, reply.data), (0, vec![0xa5; 512]));
    }
}

fn below(random: &mut ChaCha8Rng, end: u64) -> u64 {
    random.next_u64() % end
}

/// Sends bytes, hangs up that direction, and reads until the server hangs up too.
fn hurl(mut stream: UnixStream, bytes: &[u8], vanish: bool) {
    stream
        .set_read_timeout(Some(Duration::from_secs(30)))
        .unwrap();
    // The server may hang up at any byte.
    if stream.write_all(bytes).is_err() || vanish {
        return;
    }
    let _ = stream.shutdown(Shutdown::Write);
    let mut sink = vec![0; 65536];
    loop {
        match stream.read(&mut sink) {
            Ok(0) => return,
            Ok(_) => {}
            Err(error) => {
                let kind = error.kind();
                assert_eq!(
                    kind,
                    std::io::ErrorKind::ConnectionReset,
                    "the server hangs"
                );
                return;
            }
        }
    }
}

fn option(random: &mut ChaCha8Rng) -> Vec<u8> {
    let number = u32::try_from(below(random, 14)).unwrap();
    let mut data = match below(random, 4) {
        0 => vec![],
        1 => info_data("pocket", &[0, 3]),
        2 => meta_data("", &["base:allocation", "imbrex:"]),
        _ => {
            let mut noise = vec![0; usize::try_from(below(random, 200)).unwrap()];
            random.fill_bytes(&mut noise);
            noise
        }
    };
    flip(random, &mut data);
    let mut bytes = b"IHAVEOPT".to_vec();
    bytes.extend(number.to_be_bytes());
    bytes.extend(u32::try_from(data.len()).unwrap().to_be_bytes());
    bytes.extend(data);
    bytes
}

/// Sometimes changes a byte, sometimes cuts the end off.
fn flip(random: &mut ChaCha8Rng, bytes: &mut Vec<u8>) {
    if bytes.is_empty() {
        return;
    }
    let at = usize::try_from(below(random, u64::try_from(bytes.len()).unwrap())).unwrap();
    match below(random, 8) {
        0 => bytes[at] = bytes[at].wrapping_add(1 << below(random, 8)),
        1 => bytes.truncate(at),
        _ => {}
    }
}

#[test]
fn thousands_of_broken_negotiations_leave_others_served() {
    let stand = Stand::new();
    let mut witness = Witness::new(&stand.socket());
    let mut random = ChaCha8Rng::seed_from_u64(0x6e62_6401);
    for case in 0..3000 {
        let mut bytes = 3_u32.to_be_bytes().to_vec();
        for _ in 0..below(&mut random, 6) {
            bytes.extend(option(&mut random));
        }
        flip(&mut random, &mut bytes);
        let vanish = below(&mut random, 4) == 0;
        hurl(UnixStream::connect(stand.socket()).unwrap(), &bytes, vanish);
        if case % 50 == 0 {
            witness.is_served();
        }
    }
    witness.is_served();
    Witness::new(&stand.socket()).is_served();
}

fn request(random: &mut ChaCha8Rng, speech: Speech) -> Vec<u8> {
    let kind = u16::try_from(below(random, 10)).unwrap();
    let length = match below(random, 8) {
        0 => 0,
        1 => random.next_u64() & 0xffff_ffff,
        2 => (64 << 20) - 1 + below(random, 3),
        _ => 512 * below(random, 64),
    };
    let flags = match below(random, 3) {
        0 => u16::try_from(below(random, 1 << 16)).unwrap(),
        1 => 1 << below(random, 7),
        _ => 0,
    };
    // Never the last sector: that is the witness's.
    let offset = match below(random, 6) {
        0 => random.next_u64() | 1 << 40,
        _ => 512 * below(random, 1000),
    };
    let mut bytes = Vec::new();
    let extended = speech == Speech::Extended;
    let magic: u32 = if extended { 0x21e4_1c71 } else { 0x2560_9513 };
    bytes.extend(magic.to_be_bytes());
    bytes.extend(flags.to_be_bytes());
    bytes.extend(kind.to_be_bytes());
    bytes.extend(random.next_u64().to_be_bytes());
    bytes.extend(offset.to_be_bytes());
    if extended {
        bytes.extend(length.to_be_bytes());
    } else {
        bytes.extend(u32::try_from(length).unwrap().to_be_bytes());
    }
    if kind == WRITE && below(random, 4) > 0 {
        bytes.extend(vec![1; usize::try_from(length.min(20_000)).unwrap()]);
    }
    bytes
}

#[test]
fn thousands_of_broken_transmissions_leave_others_served() {
    let stand = Stand::new();
    let mut witness = Witness::new(&stand.socket());
    let mut random = ChaCha8Rng::seed_from_u64(0x6e62_6402);
    for case in 0..3000 {
        let speech = Speech::ALL[usize::try_from(below(&mut random, 3)).unwrap()];
        let mut bytes = 3_u32.to_be_bytes().to_vec();
        let choose = match speech {
            Speech::Simple => None,
            Speech::Structured => Some(8_u32),
            Speech::Extended => Some(11),
        };
        let contexts = meta_data("", &["base:allocation", "imbrex:whereabouts"]);
        let go = info_data("", &[]);
        let options = choose.map(|number| (number, &[][..]));
        let options = options
            .into_iter()
            .chain([(10, &contexts[..]), (7, &go[..])]);
        for (number, data) in options {
            bytes.extend(b"IHAVEOPT");
            bytes.extend(number.to_be_bytes());
            bytes.extend(u32::try_from(data.len()).unwrap().to_be_bytes());
            bytes.extend(data);
        }
        for _ in 0..below(&mut random, 8) {
            let mut one = request(&mut random, speech);
            // Cut but not flipped: a flipped offset might fairly overwrite the witness's sector.
            if below(&mut random, 6) == 0 {
                let keep = below(&mut random, u64::try_from(one.len()).unwrap());
                one.truncate(usize::try_from(keep).unwrap());
            }
            bytes.extend(one);
        }
        let vanish = below(&mut random, 4) == 0;
        hurl(UnixStream::connect(stand.socket()).unwrap(), &bytes, vanish);
        if case % 50 == 0 {
            witness.is_served();
        }
    }
    witness.is_served();
    Witness::new(&stand.socket()).is_served();
}

#[test]
fn a_payload_that_is_absurdly_long_ends_only_its_connection() {
    let stand = Stand::new();
    let mut witness = Witness::new(&stand.socket());
    for speech in Speech::ALL {
        let mut client = Client::enter(&stand.socket(), speech);
        client.send(command(WRITE, 0, 1 << 31), 1, &[]);
        assert!(client.is_closed());
        witness.is_served();
    }
    let mut client = Client::enter(&stand.socket(), Speech::Extended);
    client.send(command(WRITE, 0, u64::MAX), 1, &[]);
    assert!(client.is_closed());
    let mut client = Client::enter(&stand.socket(), Speech::Structured);
    client.stream.write_all(&[0; 28]).unwrap();
    assert!(client.is_closed());
    witness.is_served();
}

#[test]
fn a_write_whose_client_vanishes_never_reaches_the_drive() {
    let stand = Stand::new();
    let mut witness = Witness::new(&stand.socket());
    let before = stand.seen();
    for bytes in [512_u64, 1 << 20, 32 << 20] {
        let stream = UnixStream::connect(stand.socket()).unwrap();
        let mut client = Client::greet_on(Box::new(stream.try_clone().unwrap()), 3);
        client.go("");
        let half = vec![9; usize::try_from(bytes / 2).unwrap()];
        client.send(command(WRITE, 0, bytes), 1, &half);
        stream.shutdown(Shutdown::Write).unwrap();
        // Hanging up in the middle of a request is answered by hanging up.
        assert!(client.is_closed());
    }
    assert_eq!(stand.seen(), before);
    witness.is_served();
}

#[test]
fn a_thousand_idle_connects_keep_nobody_out() {
    let (soft, hard) = getrlimit(Resource::RLIMIT_NOFILE).unwrap();
    setrlimit(Resource::RLIMIT_NOFILE, soft.max(4096).min(hard), hard).unwrap();
    let limits = Limits {
        connections: 16,
        ..Limits::default()
    };
    let config = NbdConfig {
        limits,
        ..NbdConfig::default()
    };
    let stand = Stand::with(info(), config);
    let mut witness = Witness::new(&stand.socket());
    let mut idle = Vec::new();
    for number in 0..1000 {
        idle.push(UnixStream::connect(stand.socket()).unwrap());
        if number % 50 == 0 {
            witness.is_served();
            Witness::new(&stand.socket()).is_served();
        }
    }
    assert!(stand.server().connections() <= 16);
    witness.is_served();
}

#[test]
fn when_all_places_are_taken_by_served_clients_the_next_is_turned_away() {
    let limits = Limits {
        connections: 3,
        ..Limits::default()
    };
    let config = NbdConfig {
        limits,
        ..NbdConfig::default()
    };
    let stand = Stand::with(info(), config);
    let mut witnesses: Vec<_> = (0..3).map(|_| Witness::new(&stand.socket())).collect();
    let mut refused = UnixStream::connect(stand.socket()).unwrap();
    assert_eq!(refused.read(&mut [0]).unwrap_or(0), 0);
    witnesses.iter_mut().for_each(Witness::is_served);
}

#[test]
fn a_client_that_does_not_negotiate_loses_patience() {
    let config = NbdConfig {
        handshake_patience: Duration::from_millis(30),
        ..NbdConfig::default()
    };
    let stand = Stand::with(info(), config);
    for beginning in [
        &[][..],
        &[0, 0, 0, 3],
        b"\0\0\0\x03IHAVEOPT\0\0\0\x07\0\0\0\x06\0",
    ] {
        let mut stream = UnixStream::connect(stand.socket()).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(30)))
            .unwrap();
        stream.write_all(beginning).unwrap();
        let mut greeting = Vec::new();
        stream.read_to_end(&mut greeting).unwrap();
        assert_eq!(greeting.len(), 18);
    }
}

fn scarce() -> Stand {
    let limits = Limits {
        connection_bytes: 32 << 20,
        connection_own_bytes: 64 << 10,
        shared_bytes: 32 << 20,
        // Long enough for a witness on a busy machine.
        stuck: Duration::from_millis(500),
        ..Limits::default()
    };
    let config = NbdConfig {
        limits,
        ..NbdConfig::default()
    };
    Stand::with(info(), config)
}

#[test]
fn clients_that_never_read_their_replies_cannot_keep_the_memory() {
    let stand = scarce();
    let mut witness = Witness::new(&stand.socket());
    let mut hogs = Vec::new();
    for speech in Speech::ALL {
        let mut hog = Client::enter(&stand.socket(), speech);
        for cookie in 0..4 {
            hog.send(command(READ, 0, 8 << 20), cookie, &[]);
        }
        hogs.push(hog);
        witness.is_served();
        // More than its own: it must get what the hogs hold.
        let reply = witness.0.ask(command(READ, 0, 32 << 20), &[]);
        assert_eq!((reply.errno, reply.data.len()), (0, 32 << 20));
    }
}

#[test]
fn clients_that_never_finish_a_write_cannot_keep_the_memory() {
    let stand = scarce();
    let mut witness = Witness::new(&stand.socket());
    let mut hogs = Vec::new();
    for speech in Speech::ALL {
        let mut hog = Client::enter(&stand.socket(), speech);
        hog.send(command(WRITE, 0, 32 << 20), 1, &[1; 1000]);
        witness.is_served();
        let data = vec![2; 32 << 20];
        assert_eq!(witness.0.ask(command(WRITE, 0, 32 << 20), &data).errno, 0);
        // Kept until here: only the server can have ended it.
        hogs.push(hog);
    }
}
