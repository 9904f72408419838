//! What options are answered with.

use super::client::{Client, Speech, info_data, meta_data};
use super::stand_in::{CAPACITY, Stand, info};
use crate::serve::nbd::NbdConfig;

const ACK: u32 = 1;
const UNSUPPORTED: u32 = (1 << 31) + 1;
const POLICY: u32 = (1 << 31) + 2;
const INVALID: u32 = (1 << 31) + 3;
const UNKNOWN: u32 = (1 << 31) + 6;
const TOO_BIG: u32 = (1 << 31) + 9;
const EXTENDED_REQUIRED: u32 = (1 << 31) + 10;

fn kinds(replies: &[(u32, Vec<u8>)]) -> Vec<u32> {
    replies.iter().map(|reply| reply.0).collect()
}

#[test]
fn every_option_number_gets_the_reply_the_specification_names() {
    let stand = Stand::new();
    let mut client = Client::greet(&stand.socket(), 3);
    // Options that end the negotiation (1, 2 and a valid 7) have tests of their own.
    for number in (3..64).chain([1000, u32::MAX]) {
        let expected = match number {
            3 => vec![2, ACK],
            5 => vec![POLICY],
            8 | 11 => vec![ACK],
            // No data at all is too short for these.
            6 | 7 | 9 | 10 => vec![INVALID],
            _ => vec![UNSUPPORTED],
        };
        assert_eq!(
            kinds(&client.option(number, &[])),
            expected,
            "option {number}"
        );
    }
    for number in [3, 5, 8, 11] {
        assert_eq!(
            kinds(&client.option(number, &[0])),
            [INVALID],
            "option {number} with data"
        );
    }
    assert_eq!(kinds(&client.option(8, &[])), [EXTENDED_REQUIRED]);
}

#[test]
fn go_and_info_tell_size_flags_names_and_block_sizes() {
    // HAS_FLAGS FLUSH FUA ROTATIONAL ZEROES MULTI_CONN CACHE FAST_ZERO, by their bits.
    let always: u16 = 1 | 1 << 2 | 1 << 3 | 1 << 4 | 1 << 6 | 1 << 8 | 1 << 10 | 1 << 11;
    for (trim, read_only) in [(false, false), (true, false), (false, true), (true, true)] {
        for speech in Speech::ALL {
            let drive = crate::host::handle::DriveInfo {
                trim,
                read_only,
                ..info()
            };
            let stand = Stand::with(drive, NbdConfig::default());
            let mut client = Client::greet(&stand.socket(), 3);
            client.speak(speech);
            let mut flags = always;
            flags |= if trim { 1 << 5 } else { 0 };
            flags |= if read_only { 1 << 1 } else { 0 };
            flags |= if speech == Speech::Simple { 0 } else { 1 << 7 };
            let mut export = vec![0, 0];
            export.extend(CAPACITY.to_be_bytes());
            export.extend(flags.to_be_bytes());
            let mut sizes = vec![0, 3];
            for size in [512_u32, 4096, 33_554_432] {
                sizes.extend(size.to_be_bytes());
            }
            let replies = client.option(6, &info_data("pocket", &[1, 2, 3]));
            assert_eq!(kinds(&replies), [3, 3, 3, 3, ACK]);
            assert_eq!(replies[0].1, export);
            assert_eq!(replies[1].1, b"\0\x01pocket");
            assert_eq!(&replies[2].1[..2], [0, 2]);
            assert_eq!(replies[3].1, sizes);
            assert_eq!(client.go("").first().map(|reply| &reply.1), Some(&export));
        }
    }
}

#[test]
fn a_name_that_is_not_served_is_refused_and_haggling_goes_on() {
    let stand = Stand::new();
    let mut client = Client::greet(&stand.socket(), 3);
    for option in [6, 7] {
        assert_eq!(
            kinds(&client.option(option, &info_data("other", &[]))),
            [UNKNOWN]
        );
        let mut malformed = info_data("", &[]);
        malformed.push(0);
        assert_eq!(kinds(&client.option(option, &malformed)), [INVALID]);
        assert_eq!(
            kinds(&client.option(option, &info_data("nul\0", &[]))),
            [INVALID]
        );
    }
    client.speak(Speech::Structured);
    assert_eq!(
        kinds(&client.option(10, &meta_data("other", &[]))),
        [UNKNOWN]
    );
    client.go("pocket");
}

#[test]
fn export_name_answers_with_or_without_zeroes_and_closes_on_a_wrong_name() {
    let stand = Stand::new();
    for (flags, name, zeroes) in [(1, "", 124), (3, "pocket", 0), (0, "", 124)] {
        let mut client = Client::greet(&stand.socket(), flags);
        client.send_option(1, name.as_bytes());
        assert_eq!(u64::from_be_bytes(client.read()), CAPACITY);
        let _flags: [u8; 2] = client.read();
        assert_eq!(
            client.read_bytes(zeroes),
            vec![0; usize::try_from(zeroes).unwrap()]
        );
        let reply = client.ask(super::client::command(0, 0, 512), &[]);
        assert_eq!((reply.errno, reply.data.len()), (0, 512));
    }
    let mut client = Client::greet(&stand.socket(), 3);
    client.send_option(1, b"other");
    assert!(client.is_closed());
}

#[test]
fn abort_is_acknowledged_and_ends_the_connection() {
    let stand = Stand::new();
    let mut client = Client::greet(&stand.socket(), 3);
    assert_eq!(client.option(2, &[]), vec![(ACK, vec![])]);
    assert!(client.is_closed());
}

#[test]
fn flags_nobody_offered_and_options_without_fixed_newstyle_end_the_connection() {
    let stand = Stand::new();
    assert!(Client::greet(&stand.socket(), 1 << 2 | 3).is_closed());
    let mut client = Client::greet(&stand.socket(), 2);
    client.send_option(3, &[]);
    assert!(client.is_closed());
}

#[test]
fn contexts_are_listed_by_query_and_chosen_by_exact_name() {
    let stand = Stand::new();
    let mut client = Client::greet(&stand.socket(), 3);
    assert_eq!(
        kinds(&client.option(9, &meta_data("", &[]))),
        [INVALID],
        "not structured yet"
    );
    client.speak(Speech::Structured);
    let allocation = |id: u8| [&[0, 0, 0, id][..], b"base:allocation"].concat();
    let whereabouts = |id: u8| [&[0, 0, 0, id][..], b"imbrex:whereabouts"].concat();
    let mut check = |option, queries: &[&str], expected: &[Vec<u8>]| {
        let mut replies = client.option(option, &meta_data("", queries));
        assert_eq!(replies.pop(), Some((ACK, vec![])));
        assert!(replies.iter().all(|reply| reply.0 == 4));
        let names: Vec<_> = replies.into_iter().map(|reply| reply.1).collect();
        assert_eq!(names, expected, "{option} {queries:?}");
    };
    check(9, &[], &[allocation(0), whereabouts(0)]);
    check(9, &["base:"], &[allocation(0)]);
    check(9, &["imbrex:"], &[whereabouts(0)]);
    check(9, &["base:alloc", "x:", "", ":"], &[]);
    check(10, &[], &[]);
    check(10, &["base:", "imbrex:"], &[]);
    check(10, &["imbrex:whereabouts"], &[whereabouts(2)]);
    check(
        10,
        &["imbrex:whereabouts", "base:allocation", "base:allocation"],
        &[allocation(1), whereabouts(2)],
    );
}

#[test]
fn option_data_beyond_the_limit_is_refused_unread_and_absurd_data_ends_the_connection() {
    let stand = Stand::new();
    let mut client = Client::greet(&stand.socket(), 3);
    assert_eq!(kinds(&client.option(77, &vec![0; 64 << 10])), [UNSUPPORTED]);
    assert_eq!(
        kinds(&client.option(3, &vec![0; (64 << 10) + 1])),
        [TOO_BIG]
    );
    assert_eq!(kinds(&client.option(3, &[])), [2, ACK]);
    let mut header = b"IHAVEOPT\0\0\0\x03".to_vec();
    header.extend(u32::MAX.to_be_bytes());
    client.stream.write_all(&header).unwrap();
    assert!(client.is_closed());
}
