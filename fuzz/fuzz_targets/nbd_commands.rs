//! A client that negotiates in good order, in a manner that the first byte chooses, and then sends
//! whatever the other bytes are.
#![no_main]

use imbrex_fuzz::session::hold;
use libfuzzer_sys::fuzz_target;

const FIXED_NEWSTYLE_NO_ZEROES: u32 = 3;
const EXPORT_NAME: u32 = 1;
const GO: u32 = 7;
const STRUCTURED_REPLY: u32 = 8;
const SET_META_CONTEXT: u32 = 10;
const EXTENDED_HEADERS: u32 = 11;

fn option(into: &mut Vec<u8>, code: u32, data: &[u8]) {
    into.extend_from_slice(b"IHAVEOPT");
    into.extend(code.to_be_bytes());
    into.extend(u32::try_from(data.len()).expect("short").to_be_bytes());
    into.extend_from_slice(data);
}

fn negotiation(manner: u8) -> Vec<u8> {
    let mut bytes = FIXED_NEWSTYLE_NO_ZEROES.to_be_bytes().to_vec();
    match manner % 4 {
        0 => {}
        1 => option(&mut bytes, STRUCTURED_REPLY, &[]),
        _ => option(&mut bytes, EXTENDED_HEADERS, &[]),
    }
    if !manner.is_multiple_of(4) {
        let mut contexts = Vec::from([0; 4]);
        let names = ["base:allocation", "imbrex:whereabouts"];
        contexts.extend(2_u32.to_be_bytes());
        for name in names {
            contexts.extend(u32::try_from(name.len()).expect("short").to_be_bytes());
            contexts.extend_from_slice(name.as_bytes());
        }
        option(&mut bytes, SET_META_CONTEXT, &contexts);
    }
    if manner.is_multiple_of(4) {
        option(&mut bytes, EXPORT_NAME, &[]);
    } else {
        option(&mut bytes, GO, &[0; 6]);
    }
    bytes
}

fuzz_target!(|input: &[u8]| {
    if let Some((manner, bytes)) = input.split_first() {
        let mut all = negotiation(*manner);
        all.extend_from_slice(bytes);
        hold(&all);
    }
});
