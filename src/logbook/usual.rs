//! Where this user's own things lie, and the store that is meant where none is named: the one that `CORECLEFT_STORE` names, else
//! `corecleft.logbook` in the user's data folder, where saved attempts lie too.

use super::database::{DatabaseError, Place};
use std::path::PathBuf;

/// The folder of this user's data: below `XDG_DATA_HOME` or `~/.local/share`, on Windows below `LOCALAPPDATA`. `None` where the
/// system names no such folder.
pub fn data_folder() -> Option<PathBuf> {
    // A relative path would mean another folder wherever the program is started.
    let folder = |name: &str| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let base = if cfg!(windows) {
        folder("LOCALAPPDATA")
    } else {
        folder("XDG_DATA_HOME").or_else(|| folder("HOME").map(|home| home.join(".local").join("share")))
    };
    base.map(|base| base.join("corecleft"))
}

/// A file of this name in that folder, or in the one that one stands in where the system names none.
pub fn file(name: &str) -> PathBuf {
    data_folder().unwrap_or_default().join(name)
}

/// The store that is named, or the usual one.
///
/// # Errors
/// An address that makes no sense.
pub fn place(named: Option<&str>) -> Result<Place, DatabaseError> {
    let named = match named {
        Some(named) => Some(named.to_owned()),
        None => std::env::var("CORECLEFT_STORE").ok().filter(|name| !name.is_empty()),
    };
    match named {
        Some(address) => Place::named(&address),
        None => Ok(Place::File(file("corecleft.logbook"))),
    }
}
