//! Where the agent keeps its things on each system, and with which rights.

use std::path::PathBuf;

/// The state folder: `$STATE_DIRECTORY` (set by the service manager), else `$XDG_STATE_HOME/tilldawn`, else
/// `~/.local/state/tilldawn`; on Windows `%LOCALAPPDATA%\tilldawn`; else the present folder.
pub fn state_dir() -> PathBuf {
    let var = |n: &str| std::env::var_os(n).filter(|v| !v.is_empty()).map(PathBuf::from);
    if let Some(d) = std::env::var_os("STATE_DIRECTORY").filter(|v| !v.is_empty()) {
        // The service manager joins several folders by colons; ours is the first.
        return std::env::split_paths(&d).next().unwrap_or_else(|| PathBuf::from(d));
    }
    if cfg!(windows) {
        return var("LOCALAPPDATA").map_or_else(|| PathBuf::from("."), |d| d.join("tilldawn"));
    }
    var("XDG_STATE_HOME")
        .map(|d| d.join("tilldawn"))
        .or_else(|| var("HOME").map(|h| h.join(".local/state/tilldawn")))
        .unwrap_or_else(|| PathBuf::from("."))
}

/// The store, unless the person names another.
pub fn default_store() -> PathBuf {
    state_dir().join("tilldawn.db")
}

/// The configuration file that is used when the person names none: `tilldawn.toml` in `$CONFIGURATION_DIRECTORY` (set by the
/// service manager), else in `$XDG_CONFIG_HOME/tilldawn` or `~/.config/tilldawn`; on Windows in `%APPDATA%\tilldawn`. None if it does
/// not exist: then the built-in defaults hold.
pub fn default_config() -> Option<PathBuf> {
    let var = |n: &str| std::env::var_os(n).filter(|v| !v.is_empty()).map(PathBuf::from);
    let dir = if let Some(d) = std::env::var_os("CONFIGURATION_DIRECTORY").filter(|v| !v.is_empty()) {
        std::env::split_paths(&d).next()
    } else if cfg!(windows) {
        var("APPDATA").map(|d| d.join("tilldawn"))
    } else {
        var("XDG_CONFIG_HOME").map(|d| d.join("tilldawn")).or_else(|| var("HOME").map(|h| h.join(".config/tilldawn")))
    };
    dir.map(|d| d.join("tilldawn.toml")).filter(|f| f.exists())
}
