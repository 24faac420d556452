//! The key file: tokens of programs, paired browsers and pairing codes under way. One small file in the state folder, open
//! to its owner alone (mode 0600), holding hashes only. The agent and the command line both change it, each under a lock
//! and by replacing the whole file, so that neither ever reads half of it.

use super::Scope;
use crate::model::{Span, UnixMs};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use subtle::{Choice, ConditionallySelectable, ConstantTimeEq};

/// A pairing code is good for this long.
pub const CODE_GOOD_FOR: Span = Span::mins(5);
/// Most tokens, and most paired browsers.
const MOST: usize = 32;
/// Most codes under way.
const MOST_CODES: usize = 4;
/// Letters of a code: none that looks or sounds like another.
const LETTERS: &[u8; 32] = b"23456789ABCDEFGHJKMNPQRSTUVWXYZ*";
/// Letters in a code: 8 of 31 are a little under 40 bits, for five minutes of slowed tries.
const CODE_LETTERS: usize = 8;

/// Why the key file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// Reading or writing failed.
    #[error("`{path}`: {why}")]
    File {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        why: io::Error,
    },
    /// The content is not understood.
    #[error("`{path}` is damaged ({why}); move it away, then make tokens and pair browsers anew")]
    Damaged {
        /// Which file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// The wish cannot be met.
    #[error("{0}")]
    Refused(String),
    /// The system gave no random bytes.
    #[error("the system gave no random numbers: {0}")]
    Random(String),
}

/// A program's token, without the token itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Token {
    /// What the person called it; unique.
    pub name: String,
    /// What it may do.
    pub scope: Scope,
    /// When it was made.
    pub made: UnixMs,
    hash: String,
}

/// A paired browser, without its cookie.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Browser {
    /// What the person called it; unique.
    pub name: String,
    /// When it was paired.
    pub made: UnixMs,
    hash: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Code {
    made: UnixMs,
    hash: String,
}

/// What the key file holds.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Keys {
    /// Tokens of programs.
    pub tokens: Vec<Token>,
    /// Paired browsers.
    pub browsers: Vec<Browser>,
    codes: Vec<Code>,
}

/// The key file of a state folder.
#[derive(Clone, Debug)]
pub struct KeyFile {
    path: PathBuf,
}

impl KeyFile {
    /// The key file in `state_dir`. Nothing is read yet.
    pub fn in_dir(state_dir: &Path) -> KeyFile {
        KeyFile { path: state_dir.join("http-keys.json") }
    }

    fn error(&self, why: io::Error) -> KeyError {
        KeyError::File { path: self.path.clone(), why }
    }

    /// What it holds now; a missing file holds nothing.
    ///
    /// # Errors
    /// When it cannot be read or is damaged.
    pub fn read(&self) -> Result<Keys, KeyError> {
        match fs::read(&self.path) {
            Ok(b) => serde_json::from_slice(&b)
                .map_err(|e| KeyError::Damaged { path: self.path.clone(), why: e.to_string() }),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(Keys::default()),
            Err(e) => Err(self.error(e)),
        }
    }

    /// Changes it under the lock. `change` sees what it holds now; nothing is written when `change` fails.
    fn change<T>(&self, change: impl FnOnce(&mut Keys) -> Result<T, KeyError>) -> Result<T, KeyError> {
        if let Some(d) = self.path.parent() {
            fs::create_dir_all(d).map_err(|e| self.error(e))?;
        }
        let lock = private(&self.path.with_extension("lock"), false).map_err(|e| self.error(e))?;
        lock.lock().map_err(|e| self.error(e))?;
        let mut keys = self.read()?;
        let before = keys.clone();
        let out = change(&mut keys)?;
        if keys != before {
            let new = self.path.with_extension("new");
            let write = || {
                let mut f = private(&new, true)?;
                f.write_all(&serde_json::to_vec_pretty(&keys)?)?;
                f.sync_all()?;
                fs::rename(&new, &self.path)
            };
            write().map_err(|e| self.error(e))?;
        }
        Ok(out)
    }

    /// Makes a token and returns it; it is not kept and cannot be shown again.
    ///
    /// # Errors
    /// When the name is taken or unfit, or the file cannot be changed.
    pub fn add_token(&self, name: &str, scope: Scope, now: UnixMs) -> Result<String, KeyError> {
        let name = fit_name(name)?;
        let token = format!("td_{}", secret()?);
        self.change(|k| {
            if k.tokens.iter().any(|t| t.name == name) {
                return Err(KeyError::Refused(format!(
                    "there is a token `{name}` already: choose another name, or revoke it with `tilldawn token revoke {name}`"
                )));
            }
            if k.tokens.len() >= MOST {
                return Err(KeyError::Refused(format!("there are {MOST} tokens already: revoke one first")));
            }
            k.tokens.push(Token { name: name.clone(), scope, made: now, hash: hash(&token) });
            Ok(token)
        })
    }

    /// Forgets a token.
    ///
    /// # Errors
    /// When there is none of that name, or the file cannot be changed.
    pub fn revoke_token(&self, name: &str) -> Result<(), KeyError> {
        self.change(|k| {
            let n = k.tokens.len();
            k.tokens.retain(|t| t.name != name);
            let names: Vec<_> = k.tokens.iter().map(|t| t.name.as_str()).collect();
            if k.tokens.len() < n { Ok(()) } else { Err(no_such("token", name, &names)) }
        })
    }

    /// Forgets a paired browser.
    ///
    /// # Errors
    /// When there is none of that name, or the file cannot be changed.
    pub fn revoke_browser(&self, name: &str) -> Result<(), KeyError> {
        self.change(|k| {
            let n = k.browsers.len();
            k.browsers.retain(|b| b.name != name);
            let names: Vec<_> = k.browsers.iter().map(|b| b.name.as_str()).collect();
            if k.browsers.len() < n { Ok(()) } else { Err(no_such("paired browser", name, &names)) }
        })
    }

    /// Makes a pairing code, good once and for five minutes.
    ///
    /// # Errors
    /// When the file cannot be changed.
    pub fn new_code(&self, now: UnixMs) -> Result<String, KeyError> {
        let code = code()?;
        self.change(|k| {
            k.codes.retain(|c| c.good(now));
            if k.codes.len() >= MOST_CODES {
                k.codes.remove(0);
            }
            k.codes.push(Code { made: now, hash: hash(&code) });
            Ok(code)
        })
    }

    /// Takes a pairing code and returns the browser's name and its cookie; none when the code is wrong or too old.
    ///
    /// # Errors
    /// When the file cannot be changed; then nobody is paired and the code stays good.
    pub fn take_code(&self, typed: &str, browser: &str, now: UnixMs) -> Result<Option<(String, String)>, KeyError> {
        let typed = hash(&plain_code(typed));
        let cookie = secret()?;
        self.change(|k| {
            k.codes.retain(|c| c.good(now));
            let n = k.codes.len();
            k.codes.retain(|c| !same(&c.hash, &typed));
            if k.codes.len() == n {
                return Ok(None);
            }
            let wished = fit_name(browser).unwrap_or_else(|_| "phone".into());
            let mut name = wished.clone();
            let mut i = 2;
            while k.browsers.iter().any(|b| b.name == name) {
                name = format!("{wished} {i}");
                i += 1;
            }
            // The oldest goes when there are too many: somebody who holds a fresh code is nearer to the person than it.
            if k.browsers.len() >= MOST {
                k.browsers.remove(0);
            }
            k.browsers.push(Browser { name: name.clone(), made: now, hash: hash(&cookie) });
            Ok(Some((name, cookie)))
        })
    }
}

impl Keys {
    /// Whose token this is. Every stored hash is compared, each in constant time.
    pub fn token(&self, presented: &str) -> Option<&Token> {
        pick(&self.tokens, |t| &t.hash, presented)
    }
    /// Whose cookie this is, in the same way.
    pub fn browser(&self, presented: &str) -> Option<&Browser> {
        pick(&self.browsers, |b| &b.hash, presented)
    }
    /// Whether anybody could come in from beyond this machine now.
    pub fn somebody(&self, now: UnixMs) -> bool {
        !self.tokens.is_empty() || !self.browsers.is_empty() || self.codes.iter().any(|c| c.good(now))
    }
}

impl Code {
    /// Not older than five minutes, nor from a future that a clock step has taken back.
    fn good(&self, now: UnixMs) -> bool {
        (Span::ZERO..CODE_GOOD_FOR).contains(&(now - self.made))
    }
}

fn pick<'a, T>(rows: &'a [T], of: impl Fn(&T) -> &String, presented: &str) -> Option<&'a T> {
    let presented = hash(presented);
    let mut found = u32::MAX;
    for (i, row) in (0u32..).zip(rows) {
        found.conditional_assign(&i, equal(of(row), &presented));
    }
    rows.get(found as usize)
}

fn equal(a: &str, b: &str) -> Choice {
    a.as_bytes().ct_eq(b.as_bytes())
}

fn same(a: &str, b: &str) -> bool {
    equal(a, b).into()
}

fn hash(s: &str) -> String {
    Sha256::digest(s.as_bytes()).iter().map(|b| format!("{b:02x}")).collect()
}

/// 256 random bits as 64 hexadecimal digits.
fn secret() -> Result<String, KeyError> {
    let mut b = [0u8; 32];
    getrandom::fill(&mut b).map_err(|e| KeyError::Random(e.to_string()))?;
    Ok(b.iter().map(|b| format!("{b:02x}")).collect())
}

fn code() -> Result<String, KeyError> {
    let mut out = String::new();
    while out.len() < CODE_LETTERS {
        let mut b = [0u8; 1];
        getrandom::fill(&mut b).map_err(|e| KeyError::Random(e.to_string()))?;
        // The last of the 32 places is no letter: drawn again, so that all are equally likely.
        match LETTERS[usize::from(b[0] & 31)] {
            b'*' => {}
            l => out.push(char::from(l)),
        }
    }
    Ok(out)
}

/// As it was made, whatever the person typed between and however large the letters.
fn plain_code(typed: &str) -> String {
    typed.chars().filter(char::is_ascii_alphanumeric).take(32).map(|c| c.to_ascii_uppercase()).collect()
}

/// A name of 1 to 40 printable characters.
fn fit_name(name: &str) -> Result<String, KeyError> {
    let n = name.trim();
    let long = n.chars().count();
    if (1..=40).contains(&long) && n.chars().all(|c| c.is_alphanumeric() || " -_.'’".contains(c)) {
        Ok(n.into())
    } else {
        let shown: String = n.chars().filter(|c| !c.is_control()).take(60).collect();
        Err(KeyError::Refused(format!(
            "`{shown}` is not a name: expected 1 to 40 letters, digits, spaces, `-`, `_` or `.`"
        )))
    }
}

fn no_such(what: &str, name: &str, there: &[&str]) -> KeyError {
    let there =
        if there.is_empty() { "there is none at all".into() } else { format!("there are: {}", there.join(", ")) };
    KeyError::Refused(format!("there is no {what} `{name}`; {there}"))
}

/// Opens a file that only its owner may read, however it was left.
pub(super) fn private(path: &Path, truncate: bool) -> io::Result<File> {
    let mut o = OpenOptions::new();
    o.write(true).create(true).truncate(truncate);
    #[cfg(unix)]
    {
        use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
        o.mode(0o600);
        let f = o.open(path)?;
        f.set_permissions(fs::Permissions::from_mode(0o600))?;
        Ok(f)
    }
    #[cfg(not(unix))]
    o.open(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: UnixMs = UnixMs(1_768_263_200_000);

    #[test]
    fn a_token_is_known_again_until_it_is_revoked() {
        let d = tempfile::tempdir().unwrap();
        let f = KeyFile::in_dir(d.path());
        assert!(!f.read().unwrap().somebody(NOW));
        let read = f.add_token("weather script", Scope::Read, NOW).unwrap();
        let write = f.add_token("house", Scope::ReadWrite, NOW).unwrap();
        let k = f.read().unwrap();
        assert_eq!(k.token(&read).unwrap().scope, Scope::Read);
        assert_eq!(k.token(&write).unwrap().name, "house");
        assert!(k.token("td_0").is_none() && k.token("").is_none());
        let stored = fs::read_to_string(d.path().join("http-keys.json")).unwrap();
        assert!(!stored.contains(&read[3..]) && !stored.contains(&write[3..]), "only hashes are kept");
        assert!(f.add_token("house", Scope::Read, NOW).is_err());
        f.revoke_token("house").unwrap();
        assert!(f.read().unwrap().token(&write).is_none());
        assert!(f.revoke_token("house").unwrap_err().to_string().contains("weather script"));
    }

    #[cfg(unix)]
    #[test]
    fn the_file_is_its_owners_alone_even_if_it_was_left_open() {
        use std::os::unix::fs::PermissionsExt;
        let d = tempfile::tempdir().unwrap();
        let path = d.path().join("http-keys.json");
        fs::write(&path, "{}").unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
        KeyFile::in_dir(d.path()).add_token("x", Scope::Read, NOW).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    }

    #[test]
    fn a_code_works_once_and_for_five_minutes() {
        let d = tempfile::tempdir().unwrap();
        let f = KeyFile::in_dir(d.path());
        let code = f.new_code(NOW).unwrap();
        assert_eq!(code.len(), 8);
        assert!(f.read().unwrap().somebody(NOW));
        let late = NOW + CODE_GOOD_FOR;
        assert!(!f.read().unwrap().somebody(late));
        assert_eq!(f.take_code(&code, "phone", late).unwrap(), None);
        let code = f.new_code(NOW).unwrap();
        let typed = format!(" {}-{} ", code[..4].to_lowercase(), &code[4..]);
        let (name, cookie) = f.take_code(&typed, "phone", NOW + Span::mins(4)).unwrap().unwrap();
        assert_eq!(name, "phone");
        assert_eq!(f.take_code(&code, "phone", NOW + Span::mins(4)).unwrap(), None, "single use");
        assert_eq!(f.read().unwrap().browser(&cookie).unwrap().name, "phone");
        let again = f.new_code(NOW).unwrap();
        assert_eq!(f.take_code(&again, "phone", NOW).unwrap().unwrap().0, "phone 2");
        f.revoke_browser("phone").unwrap();
        assert!(f.read().unwrap().browser(&cookie).is_none());
    }

    #[test]
    fn a_damaged_file_is_said_and_left_alone() {
        let d = tempfile::tempdir().unwrap();
        let path = d.path().join("http-keys.json");
        fs::write(&path, "{\"tokens\": 7}").unwrap();
        let f = KeyFile::in_dir(d.path());
        assert!(f.read().unwrap_err().to_string().contains("http-keys.json"));
        assert!(f.add_token("x", Scope::Read, NOW).is_err());
        assert_eq!(fs::read_to_string(&path).unwrap(), "{\"tokens\": 7}");
    }

    #[test]
    fn names_are_checked() {
        for bad in ["", "  ", "a\nb", "<b>", &"x".repeat(41)] {
            assert!(fit_name(bad).is_err(), "{bad:?}");
        }
        assert_eq!(fit_name(" Jo's phone ").unwrap(), "Jo's phone");
    }
}
