//! Owns the options for encrypting NBD.

use std::path::PathBuf;

use crate::serve::nbd::{Tls, TlsFiles};

/// Options of `serve`.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Encryption of NBD")]
#[allow(clippy::struct_field_names)] // the names are the options
pub(super) struct TlsArguments {
    /// The server's certificate chain (PEM); offers TLS to clients that ask.
    #[arg(long, value_name = "FILE", requires = "tls_key")]
    tls_certificate: Option<PathBuf>,
    /// The key of that certificate (PEM).
    #[arg(long, value_name = "FILE", requires = "tls_certificate")]
    tls_key: Option<PathBuf>,
    /// Clients must show a certificate signed by one of these (PEM).
    #[arg(long, value_name = "FILE", requires = "tls_certificate")]
    tls_client_ca: Option<PathBuf>,
    /// Serve nobody who does not use TLS.
    #[arg(long, requires = "tls_certificate")]
    tls_require: bool,
}

impl TlsArguments {
    /// What they come to.
    pub(super) fn tls(&self) -> Tls {
        let (Some(certificate), Some(key)) = (&self.tls_certificate, &self.tls_key) else {
            return Tls::Off;
        };
        let files = TlsFiles {
            certificate: certificate.clone(),
            key: key.clone(),
            client_ca: self.tls_client_ca.clone(),
        };
        // Asking for certificates of clients means nothing where they need not use TLS.
        if self.tls_require || files.client_ca.is_some() {
            Tls::Require(files)
        } else {
            Tls::On(files)
        }
    }
}
