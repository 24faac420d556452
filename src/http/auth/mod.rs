//! Who may come in: everybody on this machine; beyond it, programs by a token and browsers by a cookie that they got for a
//! short code. Only hashes of tokens, cookies and codes are kept.

pub mod keys;
pub mod may_listen;
pub mod slow;
pub mod tls;

use serde::{Deserialize, Serialize};

/// What a token may do. A paired browser may do everything, as its person may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// Look, but neither act nor see command lines of programs.
    Read,
    /// Look and act.
    ReadWrite,
}

impl Scope {
    /// The word said to people.
    pub fn word(self) -> &'static str {
        match self {
            Scope::Read => "read",
            Scope::ReadWrite => "read-write",
        }
    }
}

/// Who asks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Who {
    /// Somebody on this very machine.
    Here,
    /// A program with a token.
    Token {
        /// The token's name.
        name: String,
        /// What it may do.
        scope: Scope,
    },
    /// A paired browser.
    Browser {
        /// What the person called it.
        name: String,
    },
    /// Nobody known; sees the pairing page only.
    Nobody,
}

impl Who {
    /// Whether this one may look.
    pub fn may_read(&self) -> bool {
        *self != Who::Nobody
    }
    /// Whether this one may act and see everything.
    pub fn may_write(&self) -> bool {
        match self {
            Who::Here | Who::Browser { .. } => true,
            Who::Token { scope, .. } => *scope == Scope::ReadWrite,
            Who::Nobody => false,
        }
    }
}
