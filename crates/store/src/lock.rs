//! One writer at a time: a lock of the operating system that dies with its process, so that no
//! lock ever has to be cleared by hand. Who holds it stands in a file beside it, for messages
//! only.

use crate::error::{Holder, StoreError};
use crate::layout::{HOLDER, LOCK};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

/// Held as long as it lives.
#[derive(Debug)]
pub(crate) struct WriterLock {
    _file: File,
}

impl WriterLock {
    /// Takes the lock of the store at `root`, or says who has it.
    pub(crate) fn take(root: &Path) -> Result<WriterLock, StoreError> {
        let path = root.join(LOCK);
        let file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(|e| StoreError::io("open", &path.to_string_lossy(), e))?;
        match file.try_lock() {
            Ok(()) => {
                leave_name(root);
                Ok(WriterLock { _file: file })
            }
            Err(TryLockError::WouldBlock) => {
                Err(StoreError::InUse { path: root.into(), holder: read_name(root) })
            }
            Err(TryLockError::Error(e)) => Err(StoreError::io("lock", &path.to_string_lossy(), e)),
        }
    }
}

/// A name that cannot be written costs a message its name, not the run.
fn leave_name(root: &Path) {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    let holder = Holder {
        pid: std::process::id(),
        host: host_name(),
        since_us: i64::try_from(since.as_micros()).unwrap_or(0),
    };
    if let Ok(text) = serde_json::to_vec(&holder) {
        let _ = fs::write(root.join(HOLDER), text);
    }
}

fn read_name(root: &Path) -> Holder {
    let text = fs::read(root.join(HOLDER)).unwrap_or_default();
    serde_json::from_slice(&text).unwrap_or_default()
}

fn host_name() -> String {
    let from_system = fs::read_to_string("/proc/sys/kernel/hostname").ok();
    let from_environment = || std::env::var("COMPUTERNAME").or(std::env::var("HOSTNAME")).ok();
    let name = from_system.or_else(from_environment).unwrap_or_default();
    let name = name.trim();
    if name.is_empty() { "unknown".into() } else { name.into() }
}
