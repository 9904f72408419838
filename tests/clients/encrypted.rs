//! Clients of others over TLS, with certificates on both sides, and by the newest form of the protocol
//! that they speak.

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair, KeyUsagePurpose};

use super::program::{Served, tool};
use super::{Bench, MIB};

/// Certificates of a server and of a client by one authority, under the names that tools look for.
fn papers(bench: &Bench) -> String {
    let write = |name: &str, text: String| {
        std::fs::write(bench.path(name), text).expect("written");
    };
    let mut params = CertificateParams::new(Vec::new()).expect("no names");
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign];
    let key = || KeyPair::generate().expect("a key");
    let authority = CertifiedIssuer::self_signed(params, key()).expect("an authority");
    write("ca-cert.pem", authority.as_ref().pem());
    for whose in ["server", "client"] {
        let names = vec!["localhost".to_owned()];
        let (params, key) = (CertificateParams::new(names).expect("a name"), key());
        let certificate = params.signed_by(&key, &authority).expect("signed");
        write(&format!("{whose}-cert.pem"), certificate.pem());
        write(&format!("{whose}-key.pem"), key.serialize_pem());
    }
    bench.path("")
}

fn port(served: &Served) -> &str {
    let (_, rest) = served
        .said
        .split_once("nbds://127.0.0.1:")
        .expect("an address");
    rest.split('/').next().expect("a port")
}

#[test]
fn nbdinfo_and_qemu_img_come_in_by_tls_and_nobody_without_a_certificate() {
    let bench = Bench::new(1);
    let dir = papers(&bench);
    let file = |name: &str| bench.path(name);
    let options = format!(
        "--pace off --nbd tcp:127.0.0.1:0 --tls-certificate {} --tls-key {} --tls-client-ca {}",
        file("server-cert.pem"),
        file("server-key.pem"),
        file("ca-cert.pem")
    );
    let served = Served::start(&bench.image, &options);
    let port = port(&served);

    let uri = format!("nbds://localhost:{port}/?tls-certificates={dir}");
    let told = tool("nbdinfo", ["--json", &uri]);
    assert_eq!(told.code, Some(0), "{told:#?}");
    assert_eq!(told.json()["TLS"], true);
    let bare = tool("nbdinfo", [&format!("nbd://localhost:{port}/")]);
    assert_ne!(bare.code, Some(0), "{bare:#?}");

    let source = bench.sparse_file("source", 20 * MIB);
    let papers = format!("tls-creds-x509,id=papers,dir={dir},endpoint=client,verify-peer=yes");
    let target = format!(
        "driver=nbd,server.type=inet,server.host=localhost,server.port={port},tls-creds=papers"
    );
    let convert = ["convert", "-n", "-f", "raw", "--object", &papers];
    let to = [&*source, "--target-image-opts", &target];
    tool("qemu-img", convert.into_iter().chain(to)).success();
    let source = format!("driver=raw,file.driver=file,file.filename={source}");
    let compare = [
        "compare",
        "--object",
        &papers,
        "--image-opts",
        &source,
        &target,
    ];
    let told = tool("qemu-img", compare).success();
    assert!(told.contains("identical"), "{told}");
    served.stop().success();
}

/// From qemu 8.2 on (its changes of that version) the client asks for extended headers.
#[test]
fn qemu_img_speaks_with_extended_headers_where_it_knows_them() {
    let version = tool("qemu-img", ["--version"]).success();
    let number = version.split("version ").nth(1).expect("a version");
    let mut parts = number
        .split('.')
        .map(|part| part.parse::<u32>().expect("a number"));
    let knows = [parts.next(), parts.next()] >= [Some(8), Some(2)];

    let bench = Bench::new(1);
    let served = bench.serve();
    let source = bench.sparse_file("source", 20 * MIB);
    let uri = served.uri();
    tool(
        "qemu-img",
        ["convert", "-n", "-f", "raw", "-O", "raw", &source, &uri],
    )
    .success();
    let compare = [
        "--trace", "nbd_*", "compare", "-f", "raw", "-F", "raw", &source, &uri,
    ];
    let told = tool("qemu-img", compare);
    assert_eq!(told.code, Some(0), "{told:#?}");
    let traced = |words: &str| told.stderr.lines().any(|line| line.contains(words));
    let agreed = traced("option reply 11 (extended headers), type 1 (ack)");
    assert_eq!(
        (agreed, traced("block status (64-bit)")),
        (knows, knows),
        "{told:#?}"
    );
    bench.close(served);
}
