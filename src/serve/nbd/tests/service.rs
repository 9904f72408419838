//! What requests lead to, in every style of reply.

use super::client::{
    Answered, BLOCK_STATUS, CACHE, Client, Command, DF, DISC, FAST_ZERO, FLUSH, FUA, NO_HOLE,
    PAYLOAD_LEN, READ, REQ_ONE, Speech, TRIM, WRITE, WRITE_ZEROES, command, meta_data,
};
use super::stand_in::{CAPACITY, Stand, info};
use crate::host::handle::DriveInfo;
use crate::serve::nbd::NbdConfig;

const MIB32: u64 = 32 << 20;

fn pattern(bytes: u64, seed: u8) -> Vec<u8> {
    (0..bytes)
        .map(|at| u8::try_from(at % 251).unwrap() ^ seed)
        .collect()
}

#[test]
fn bytes_written_come_back_in_every_style_and_size() {
    for speech in Speech::ALL {
        let stand = Stand::new();
        let mut client = Client::enter(&stand.socket(), speech);
        // Below, at and beyond the buffer, and the largest payload there is.
        for (seed, bytes) in [
            (1, 512),
            (2, 4096),
            (3, 65_024),
            (4, 65_536),
            (5, 1 << 20),
            (6, MIB32),
        ] {
            let data = pattern(bytes, seed);
            let offset = 512 * u64::from(seed);
            let flags = if speech == Speech::Extended {
                PAYLOAD_LEN
            } else {
                0
            };
            let written = client.ask(command(WRITE, offset, bytes).with(flags), &data);
            assert_eq!(written.errno, 0);
            let read = client.ask(command(READ, offset, bytes), &[]);
            assert_eq!(read.errno, 0);
            assert!(read.data == data, "{speech:?} {bytes}");
        }
        let df = client.ask(command(READ, 0, 1 << 20).with(DF), &[]);
        match speech {
            Speech::Simple => assert_eq!(df.errno, 22),
            _ => assert_eq!((df.errno, df.chunks, df.data.len()), (0, 1, 1 << 20)),
        }
    }
}

#[test]
fn many_requests_in_one_packet_are_all_answered() {
    for speech in Speech::ALL {
        let stand = Stand::new();
        let mut client = Client::enter(&stand.socket(), speech);
        let mut bytes = Vec::new();
        for cookie in 0..100 {
            let data = pattern(512, u8::try_from(cookie).unwrap());
            bytes.extend(client.request(command(WRITE, cookie * 512, 512), cookie, &data));
        }
        client.stream.write_all(&bytes).unwrap();
        let mut cookies: Vec<u64> = (0..100)
            .map(|_| client.reply(false, 0))
            .inspect(|reply| assert_eq!(reply.errno, 0))
            .map(|reply| reply.cookie)
            .collect();
        cookies.sort_unstable();
        assert_eq!(cookies, (0..100).collect::<Vec<_>>());
        let all = client.ask(command(READ, 0, 51_200), &[]).data;
        for cookie in 0..100_u8 {
            assert_eq!(
                all[usize::from(cookie) * 512..][..512],
                pattern(512, cookie)
            );
        }
    }
}

#[test]
fn fua_and_no_hole_reach_the_drive() {
    for speech in Speech::ALL {
        let stand = Stand::new();
        let mut client = Client::enter(&stand.socket(), speech);
        let data = [7; 512];
        for flags in [0, FUA] {
            assert_eq!(
                client.ask(command(WRITE, 0, 512).with(flags), &data).errno,
                0
            );
            assert_eq!(
                client.ask(command(TRIM, 512, 512).with(flags), &[]).errno,
                0
            );
            for hole in [0, NO_HOLE] {
                let zero = command(WRITE_ZEROES, 1024, 512).with(flags | hole);
                assert_eq!(client.ask(zero, &[]).errno, 0);
            }
            // The flag is allowed everywhere, and means nothing where nothing is written.
            assert_eq!(client.ask(command(READ, 0, 512).with(flags), &[]).errno, 0);
            assert_eq!(client.ask(command(FLUSH, 0, 0).with(flags), &[]).errno, 0);
            assert_eq!(client.ask(command(CACHE, 0, 512).with(flags), &[]).errno, 0);
        }
        let mut expected = Vec::new();
        for fua in [false, true] {
            expected.push(format!("write 0+512 fua={fua}"));
            expected.push(format!("Trim {{ offset: 512, bytes: 512, fua: {fua} }}"));
            for may in [true, false] {
                expected.push(format!(
                    "WriteZeroes {{ offset: 1024, bytes: 512, fua: {fua}, may_deallocate: {may} }}"
                ));
            }
            expected.push("Read { offset: 0, bytes: 512 }".to_owned());
            expected.push("Flush".to_owned());
            expected.push("Cache { offset: 0, bytes: 512 }".to_owned());
        }
        assert_eq!(stand.seen(), expected);
    }
}

#[test]
fn every_command_accepts_its_own_flags_and_no_others() {
    for speech in Speech::ALL {
        let stand = Stand::new();
        let mut client = Client::greet(&stand.socket(), 3);
        client.speak(speech);
        if speech != Speech::Simple {
            client.option(10, &meta_data("", &["base:allocation"]));
        }
        client.go("");
        for kind in (0..12).filter(|kind| *kind != DISC) {
            for bit in 0..16_u16 {
                let flags = 1 << bit;
                let length = if kind == FLUSH { 0 } else { 512 };
                let extended_payload = speech == Speech::Extended && flags == PAYLOAD_LEN;
                let payload = if kind == WRITE || extended_payload {
                    length
                } else {
                    0
                };
                let good = match kind {
                    READ => flags == DF && speech != Speech::Simple,
                    WRITE => extended_payload,
                    WRITE_ZEROES => flags == NO_HOLE || flags == FAST_ZERO,
                    BLOCK_STATUS => flags == REQ_ONE,
                    _ => false,
                } || flags == FUA;
                let known = kind <= BLOCK_STATUS;
                let has_contexts = kind != BLOCK_STATUS || speech != Speech::Simple;
                let expected = if good && known && has_contexts { 0 } else { 22 };
                let data = pattern(payload, 0);
                let reply = client.ask(command(kind, 0, length).with(flags), &data);
                assert_eq!(
                    reply.errno, expected,
                    "{speech:?} command {kind} flags {flags}"
                );
            }
        }
    }
}

#[test]
fn bad_ranges_get_the_error_the_specification_names_and_the_connection_goes_on() {
    for speech in Speech::ALL {
        let stand = Stand::new();
        let mut client = Client::enter(&stand.socket(), speech);
        let end = CAPACITY;
        let rows = [
            (READ, end - 512, 1024, 22),
            (READ, end, 512, 22),
            (READ, u64::MAX - 511, 512, 22),
            (READ, u64::MAX - 511, 1024, 22),
            (READ, 1, 512, 22),
            (READ, 0, 511, 22),
            (READ, 0, 0, 22),
            (READ, 0, MIB32 + 512, 22),
            (WRITE, end - 512, 1024, 28),
            (WRITE, end, 512, 28),
            (WRITE, 7, 512, 22),
            (WRITE, 0, 0, 22),
            (WRITE, 0, MIB32 + 512, 22),
            (TRIM, end, 512, 22),
            (TRIM, 1, 512, 22),
            (WRITE_ZEROES, end, 512, 28),
            (CACHE, end, 512, 22),
            (BLOCK_STATUS, 0, 512, 22),
        ];
        for (kind, offset, bytes, errno) in rows {
            let payload = if kind == WRITE {
                pattern(bytes, 0)
            } else {
                Vec::new()
            };
            let reply = client.ask(command(kind, offset, bytes), &payload);
            assert_eq!(reply.errno, errno, "{speech:?} {kind} {offset}+{bytes}");
            assert!(reply.data.is_empty());
        }
        assert_eq!(
            stand.seen(),
            [""; 0],
            "none of these is the drive's business"
        );
        if speech != Speech::Simple {
            let long = command(READ, 0, MIB32 + 512).with(DF);
            assert_eq!(client.ask(long, &[]).errno, 75);
        }
        assert_eq!(client.ask(command(READ, end - 512, 512), &[]).errno, 0);
    }
}

#[test]
fn what_the_drive_cannot_do_is_refused() {
    let rows: [(DriveInfo, Command, u32); 6] = [
        (read_only(), command(WRITE, 0, 512), 1),
        (read_only(), command(TRIM, 0, 512), 1),
        (read_only(), command(WRITE_ZEROES, 0, 512), 1),
        (read_only(), command(READ, 0, 512), 0),
        (
            slow_zeroes(),
            command(WRITE_ZEROES, 0, 512).with(FAST_ZERO),
            95,
        ),
        (
            info(),
            command(WRITE_ZEROES, 0, 512).with(FAST_ZERO | NO_HOLE),
            95,
        ),
    ];
    for (drive, request, errno) in rows {
        for speech in Speech::ALL {
            let stand = Stand::with(drive.clone(), NbdConfig::default());
            let mut client = Client::enter(&stand.socket(), speech);
            let payload = if request.kind == WRITE {
                vec![0; 512]
            } else {
                vec![]
            };
            assert_eq!(
                client.ask(request, &payload).errno,
                errno,
                "{speech:?} {request:?}"
            );
            assert_eq!(client.ask(command(READ, 0, 512), &[]).errno, 0);
        }
    }
}

fn read_only() -> DriveInfo {
    DriveInfo {
        read_only: true,
        ..info()
    }
}

fn slow_zeroes() -> DriveInfo {
    DriveInfo {
        fast_zeroes: false,
        ..info()
    }
}

#[test]
fn both_contexts_tell_where_each_range_lives() {
    // The stand-in says staged (2) for odd sectors, home (1) for even ones, nowhere (0) before.
    let allocation = vec![(1024, 3), (1536, 0), (512, 3)];
    let whereabouts = vec![(1024, 0), (512, 1), (512, 2), (512, 1), (512, 0)];
    for speech in [Speech::Structured, Speech::Extended] {
        let stand = Stand::new();
        let mut client = Client::greet(&stand.socket(), 3);
        client.speak(speech);
        client.option(
            10,
            &meta_data("", &["base:allocation", "imbrex:whereabouts"]),
        );
        client.go("");
        client.ask(command(WRITE, 1024, 1536), &pattern(1536, 9));
        let all = client.ask(command(BLOCK_STATUS, 0, 3072), &[]);
        let expected = [(1, allocation.clone()), (2, whereabouts.clone())];
        assert_eq!(all.status, expected);
        let one = client.ask(command(BLOCK_STATUS, 1024, 2048).with(REQ_ONE), &[]);
        assert_eq!(one.status, [(1, vec![(1536, 0)]), (2, vec![(512, 1)])]);
    }
}

#[test]
fn a_failed_drive_is_an_io_error_and_a_lost_answer_a_shutdown() {
    for speech in Speech::ALL {
        let stand = Stand::new();
        let mut client = Client::enter(&stand.socket(), speech);
        stand.fail();
        for kind in [READ, FLUSH, TRIM] {
            assert_eq!(client.ask(command(kind, 0, 512), &[]).errno, 5);
        }
        stand.lose_calls();
        let lost = client.ask(command(READ, 0, 512), &[]);
        assert_eq!(
            lost,
            Answered {
                cookie: lost.cookie,
                errno: 108,
                ..Answered::default()
            }
        );
    }
}

#[test]
fn disconnect_answers_what_is_in_flight_first() {
    for speech in Speech::ALL {
        let stand = Stand::new();
        let mut client = Client::enter(&stand.socket(), speech);
        let mut bytes = client.request(command(WRITE, 0, 512), 1, &[1; 512]);
        bytes.extend(client.request(command(FLUSH, 0, 0), 2, &[]));
        bytes.extend(client.request(command(DISC, 0, 0), 3, &[]));
        client.stream.write_all(&bytes).unwrap();
        assert_eq!(client.reply(false, 0).cookie, 1);
        assert_eq!(client.reply(false, 0).cookie, 2);
        assert!(client.is_closed());
    }
}
