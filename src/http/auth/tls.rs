//! TLS with a certificate of the program's own making, kept in the state folder (mode 0600). Nobody vouches for it; the
//! person compares its fingerprint once, which `tilldawn pair` shows.

use super::keys::private;
use crate::config::model::HttpSettings;
use crate::model::{Span, UnixMs};
use rcgen::{CertificateParams, DnType, ExtendedKeyUsagePurpose, KeyPair, KeyUsagePurpose};
use rustls_pki_types::pem::PemObject;
use rustls_pki_types::{CertificateDer, PrivateKeyDer};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// How long a certificate is good. Phones refuse server certificates that are good for more than 825 days (from memory).
const GOOD_FOR: Span = Span::hours(24 * 800);
/// It is made anew at a start when fewer days are left, so that it does not lapse in mid-season.
const RENEW_WITH: Span = Span::hours(24 * 120);

/// Why TLS cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// Reading or writing failed.
    #[error("`{path}`: {why}")]
    File {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
    /// The certificate could not be made.
    #[error("a certificate could not be made: {0}")]
    Make(#[from] rcgen::Error),
    /// The certificate and key do not fit together.
    #[error("the certificate in `{path}` cannot be used ({why}); remove the file and its key, then start again")]
    Use {
        /// Which file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
}

/// The line before the certificate, which tools that read such files pass over.
#[derive(Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Label {
    names: Vec<String>,
    from: UnixMs,
    to: UnixMs,
}

/// The certificate in use.
#[derive(Clone, Debug)]
pub struct Certificate {
    der: CertificateDer<'static>,
    key: Arc<PrivateKeyDer<'static>>,
    path: PathBuf,
}

impl Certificate {
    /// The kept certificate, or a new one when there is none, it has (nearly) lapsed, or it does not hold the present names.
    ///
    /// # Errors
    /// When files cannot be read or written, or no certificate can be made.
    pub fn ready(settings: &HttpSettings, state_dir: &Path, now: UnixMs) -> Result<Certificate, TlsError> {
        let path = state_dir.join("http-certificate.pem");
        let key_path = state_dir.join("http-certificate-key.pem");
        let names = names(settings);
        let file = |path: &Path| {
            let path = path.to_path_buf();
            move |why| TlsError::File { path, why }
        };
        match fs::read_to_string(&path) {
            // A clock that woke with a wrong year must not throw away a good certificate: only its end is looked at.
            Ok(text) if label(&text).is_some_and(|l| l.names == names && l.to - now > RENEW_WITH) => {
                let key = fs::read_to_string(&key_path).map_err(file(&key_path))?;
                return Certificate::parse(&text, &key, path);
            }
            Ok(_) => {}
            Err(e) if e.kind() == io::ErrorKind::NotFound => {}
            Err(e) => return Err(file(&path)(e)),
        }
        // The key outlives the certificate.
        let key = match fs::read_to_string(&key_path).ok().and_then(|t| KeyPair::from_pem(&t).ok()) {
            Some(k) => k,
            None => KeyPair::generate()?,
        };
        let label = Label { names, from: now - Span::hours(24), to: now + GOOD_FOR };
        let mut params = CertificateParams::new(label.names.clone())?;
        params.distinguished_name.push(DnType::CommonName, "tilldawn");
        let date = |t| {
            let (y, m, d) = day(t);
            rcgen::date_time_ymd(y, m, d)
        };
        params.not_before = date(label.from);
        params.not_after = date(label.to);
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        let made = params.self_signed(&key)?;
        let text = format!("{}\n{}", serde_json::to_string(&label).unwrap_or_default(), made.pem());
        let write = |path: &Path, text: &str| {
            let new = path.with_extension("new");
            let mut f = private(&new, true)?;
            f.write_all(text.as_bytes())?;
            f.sync_all()?;
            fs::rename(&new, path)
        };
        fs::create_dir_all(state_dir).map_err(file(state_dir))?;
        write(&key_path, &key.serialize_pem()).map_err(file(&key_path))?;
        write(&path, &text).map_err(file(&path))?;
        Certificate::parse(&text, &key.serialize_pem(), path)
    }

    /// The kept certificate, if there is one; nothing is made.
    pub fn kept(state_dir: &Path) -> Option<Certificate> {
        let path = state_dir.join("http-certificate.pem");
        let text = fs::read_to_string(&path).ok()?;
        let key = fs::read_to_string(state_dir.join("http-certificate-key.pem")).ok()?;
        Certificate::parse(&text, &key, path).ok()
    }

    fn parse(text: &str, key: &str, path: PathBuf) -> Result<Certificate, TlsError> {
        let unusable = |e: rustls_pki_types::pem::Error| TlsError::Use { path: path.clone(), why: e.to_string() };
        let der = CertificateDer::from_pem_slice(text.as_bytes()).map_err(unusable)?;
        let key = PrivateKeyDer::from_pem_slice(key.as_bytes()).map_err(unusable)?;
        Ok(Certificate { der, key: Arc::new(key), path })
    }

    /// SHA-256 of the certificate, as browsers show it: pairs of hexadecimal digits joined by colons.
    pub fn fingerprint(&self) -> String {
        let pairs: Vec<String> = Sha256::digest(&self.der).iter().map(|b| format!("{b:02X}")).collect();
        pairs.join(":")
    }

    /// What accepts TLS connections with it: TLS 1.2 and 1.3, HTTP/1.1 alone.
    ///
    /// # Errors
    /// When certificate and key do not fit together.
    pub fn acceptor(&self) -> Result<tokio_rustls::TlsAcceptor, TlsError> {
        let unusable = |e: rustls::Error| TlsError::Use { path: self.path.clone(), why: e.to_string() };
        let mut c = rustls::ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
            .with_safe_default_protocol_versions()
            .map_err(unusable)?
            .with_no_client_auth()
            .with_single_cert(vec![self.der.clone()], self.key.clone_key())
            .map_err(unusable)?;
        c.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(tokio_rustls::TlsAcceptor::from(Arc::new(c)))
    }
}

fn label(text: &str) -> Option<Label> {
    serde_json::from_str(text.lines().next()?).ok()
}

/// The names that the certificate holds: this machine's, loopback, the stated ones and the address to listen on.
fn names(settings: &HttpSettings) -> Vec<String> {
    let mut names: Vec<String> = vec!["localhost".into(), "127.0.0.1".into(), "::1".into()];
    if let Ok(h) = sysinfo::System::host_name() {
        let h = h.to_ascii_lowercase();
        if h.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'.') && !h.is_empty() {
            if !h.contains('.') {
                names.push(format!("{h}.local"));
            }
            names.push(h);
        }
    }
    if !settings.listen.ip().is_unspecified() {
        names.push(settings.listen.ip().to_string());
    }
    names.extend(settings.names.iter().cloned());
    let mut seen = std::collections::HashSet::new();
    names.retain(|n| seen.insert(n.clone()));
    names
}

/// Year, month and day of an instant (UTC).
fn day(t: UnixMs) -> (i32, u8, u8) {
    let t = jiff::Timestamp::from_millisecond(t.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let d = t.to_zoned_datetime(jiff::tz::TimeZone::UTC).date();
    (i32::from(d.year()).max(1970), d.month().unsigned_abs(), d.day().unsigned_abs())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_certificate_is_kept_until_it_nears_its_end_or_the_names_change() {
        let d = tempfile::tempdir().unwrap();
        let now = UnixMs(1_768_263_200_000);
        let mut s = HttpSettings { tls: true, ..HttpSettings::default() };
        let first = Certificate::ready(&s, d.path(), now).unwrap();
        first.acceptor().unwrap();
        assert_eq!(first.fingerprint().len(), 32 * 3 - 1);
        let later = now + Span::hours(24 * 600);
        assert_eq!(Certificate::ready(&s, d.path(), later).unwrap().fingerprint(), first.fingerprint());
        assert_eq!(Certificate::kept(d.path()).unwrap().fingerprint(), first.fingerprint());
        // A board that woke in 1970.
        assert_eq!(Certificate::ready(&s, d.path(), UnixMs(0)).unwrap().fingerprint(), first.fingerprint());
        let renewed = Certificate::ready(&s, d.path(), now + Span::hours(24 * 700)).unwrap();
        assert_ne!(renewed.fingerprint(), first.fingerprint());
        s.names = vec!["pier.home.arpa".into()];
        assert_ne!(Certificate::ready(&s, d.path(), later).unwrap().fingerprint(), renewed.fingerprint());
        #[cfg(unix)]
        for f in ["http-certificate.pem", "http-certificate-key.pem"] {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(fs::metadata(d.path().join(f)).unwrap().permissions().mode() & 0o777, 0o600);
        }
    }
}
