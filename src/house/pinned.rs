//! TLS to an agent whose certificate is of its own making: trusted by its fingerprint alone, which the person compared once.

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature};
use rustls::{ClientConfig, DigitallySignedStruct, RootCertStore, SignatureScheme};
use rustls_pki_types::{CertificateDer, ServerName, UnixTime};
use sha2::{Digest, Sha256};
use std::fmt;
use std::str::FromStr;
use std::sync::{Arc, Mutex, PoisonError};
use subtle::ConstantTimeEq;

/// SHA-256 of a certificate: 32 bytes, written as pairs of hexadecimal digits joined by colons.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fingerprint([u8; 32]);

impl FromStr for Fingerprint {
    type Err = String;
    fn from_str(t: &str) -> Result<Fingerprint, String> {
        let digits: String = t.chars().filter(|c| !matches!(c, ':' | ' ')).collect();
        let no = || {
            format!("`{t}` is no fingerprint: expected 32 pairs of hexadecimal digits, as `tilldawn pair` shows them")
        };
        if digits.len() != 64 || !digits.is_ascii() {
            return Err(no());
        }
        let mut bytes = [0; 32];
        for (i, b) in bytes.iter_mut().enumerate() {
            *b = u8::from_str_radix(&digits[2 * i..2 * i + 2], 16).map_err(|_| no())?;
        }
        Ok(Fingerprint(bytes))
    }
}

impl fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let pairs: Vec<String> = self.0.iter().map(|b| format!("{b:02X}")).collect();
        f.write_str(&pairs.join(":"))
    }
}

/// The fingerprint of a certificate.
fn of(certificate: &CertificateDer<'_>) -> Fingerprint {
    Fingerprint(Sha256::digest(certificate).into())
}

/// Trusts one certificate, and remembers which one was shown.
#[derive(Debug)]
struct Pinned {
    wanted: Fingerprint,
    shown: Shown,
    provider: Arc<CryptoProvider>,
}

/// The fingerprint that the other side showed in the last handshake.
pub type Shown = Arc<Mutex<Option<Fingerprint>>>;

fn note(shown: &Shown, certificate: &CertificateDer<'_>) -> Fingerprint {
    let print = of(certificate);
    *shown.lock().unwrap_or_else(PoisonError::into_inner) = Some(print);
    print
}

impl ServerCertVerifier for Pinned {
    fn verify_server_cert(
        &self,
        certificate: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        let print = note(&self.shown, certificate);
        if bool::from(print.0.ct_eq(&self.wanted.0)) {
            return Ok(ServerCertVerified::assertion());
        }
        Err(rustls::Error::InvalidCertificate(rustls::CertificateError::ApplicationVerificationFailure))
    }
    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls12_signature(message, cert, dss, &self.provider.signature_verification_algorithms)
    }
    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls13_signature(message, cert, dss, &self.provider.signature_verification_algorithms)
    }
    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}

/// Trusts what public authorities vouch for, and remembers which certificate was shown.
#[derive(Debug)]
struct Public {
    inner: Arc<rustls::client::WebPkiServerVerifier>,
    shown: Shown,
}

impl ServerCertVerifier for Public {
    fn verify_server_cert(
        &self,
        certificate: &CertificateDer<'_>,
        others: &[CertificateDer<'_>],
        name: &ServerName<'_>,
        ocsp: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        note(&self.shown, certificate);
        self.inner.verify_server_cert(certificate, others, name, ocsp, now)
    }
    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.inner.verify_tls12_signature(message, cert, dss)
    }
    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        self.inner.verify_tls13_signature(message, cert, dss)
    }
    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.inner.supported_verify_schemes()
    }
}

/// A TLS configuration that trusts this fingerprint, or public authorities where there is none; and where the shown
/// fingerprint is to be found afterwards.
///
/// # Errors
/// When the cryptography does not offer what TLS needs.
pub fn configuration(wanted: Option<Fingerprint>) -> Result<(Arc<ClientConfig>, Shown), String> {
    let provider = Arc::new(ring::default_provider());
    let shown = Shown::default();
    let verifier: Arc<dyn ServerCertVerifier> = match wanted {
        Some(wanted) => Arc::new(Pinned { wanted, shown: shown.clone(), provider: provider.clone() }),
        None => {
            let roots = Arc::new(RootCertStore { roots: webpki_roots::TLS_SERVER_ROOTS.to_vec() });
            let inner = rustls::client::WebPkiServerVerifier::builder_with_provider(roots, provider.clone())
                .build()
                .map_err(|e| e.to_string())?;
            Arc::new(Public { inner, shown: shown.clone() })
        }
    };
    let mut c = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| e.to_string())?
        .dangerous()
        .with_custom_certificate_verifier(verifier)
        .with_no_client_auth();
    c.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok((Arc::new(c), shown))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fingerprints_are_read_as_they_are_shown() {
        let t = (0..32).map(|i| format!("{i:02X}")).collect::<Vec<_>>().join(":");
        let f: Fingerprint = t.parse().unwrap();
        assert_eq!(f.to_string(), t);
        assert_eq!(t.to_lowercase().replace(':', " ").parse(), Ok(f));
        for bad in ["", "00:11", &"zz".repeat(32), &"ü".repeat(32)] {
            assert!(bad.parse::<Fingerprint>().is_err(), "{bad}");
        }
        // FIPS 180-4's example: SHA-256 of "abc".
        assert!(of(&CertificateDer::from(b"abc".to_vec())).to_string().starts_with("BA:78:16:BF:8F:01:CF:EA"));
    }
}
