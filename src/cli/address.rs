//! Owns the form of an NBD address on the command line: `unix:PATH` or `tcp:HOST:PORT`.

use std::net::{SocketAddr, ToSocketAddrs};
use std::path::PathBuf;
use std::str::FromStr;

use super::exit::RigError;

/// Where to serve.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum NbdAddress {
    /// A unix socket to create.
    Unix(PathBuf),
    /// Host and port as typed; the port may be 0.
    Tcp(String),
}

impl FromStr for NbdAddress {
    type Err = String;

    fn from_str(text: &str) -> Result<NbdAddress, String> {
        const FORM: &str =
            "give unix:PATH or tcp:HOST:PORT, such as unix:/tmp/disk.sock or tcp:127.0.0.1:10809";
        match text.split_once(':') {
            Some(("unix", path)) if !path.is_empty() => Ok(NbdAddress::Unix(path.into())),
            Some(("tcp", place)) => {
                let port = place.rsplit_once(':').filter(|(host, _)| !host.is_empty());
                match port.map(|(_, port)| port.parse::<u16>()) {
                    Some(Ok(_)) => Ok(NbdAddress::Tcp(place.to_owned())),
                    Some(Err(error)) => Err(format!("the port is wrong ({error}); {FORM}")),
                    None => Err(format!("the port is missing; {FORM}")),
                }
            }
            _ => Err(FORM.to_owned()),
        }
    }
}

/// The first address that a host has.
pub(super) fn resolve(place: &str) -> Result<SocketAddr, RigError> {
    let failed = |source| RigError {
        doing: "find the address of the host given with --nbd tcp:",
        source,
    };
    let mut found = place.to_socket_addrs().map_err(failed)?;
    found
        .next()
        .ok_or_else(|| failed(std::io::ErrorKind::NotFound.into()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_forms_are_read_and_all_others_refused() {
        let check = |text: &str, expected: Option<NbdAddress>| {
            assert_eq!(text.parse::<NbdAddress>().ok(), expected, "{text}");
        };
        check("unix:/a b/c:d", Some(NbdAddress::Unix("/a b/c:d".into())));
        check(
            "tcp:localhost:0",
            Some(NbdAddress::Tcp("localhost:0".into())),
        );
        check(
            "tcp:[::1]:10809",
            Some(NbdAddress::Tcp("[::1]:10809".into())),
        );
        for wrong in [
            "",
            "unix:",
            "/tmp/x",
            "tcp:localhost",
            "tcp::5",
            "tcp:a:70000",
            "udp:a:1",
        ] {
            check(wrong, None);
        }
    }
}
