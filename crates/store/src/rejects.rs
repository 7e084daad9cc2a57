//! The reject file of one dump: `rejects/HASH.csv`, one line per row that was set aside.

use crate::csv_text::Line;
use crate::error::StoreError;
use crate::layout::REJECTS;
use crate::seal;
use crate::storage::put;
use crate::store::Store;
use metersift_model::Reject;

const HEADER: &str = "file,line,column,tag,reason,read,expected\n";
/// Characters of the hash in the file name.
const NAME_LENGTH: usize = 16;

impl Store {
    /// Writes the rejects of a dump and returns the path within the store. The file of an
    /// earlier try is replaced; no rejects, no file.
    ///
    /// # Errors
    /// Opened for reading, or the system's answer.
    pub fn write_rejects(
        &self,
        dump_hash: &str,
        rejects: &[Reject],
    ) -> Result<Option<String>, StoreError> {
        self.must_write()?;
        let path = format!("{REJECTS}/{}.csv", file_name(dump_hash));
        let storage = self.storage();
        if rejects.is_empty() {
            storage.remove(&path).map_err(|e| StoreError::io("remove", &path, e))?;
            return Ok(None);
        }
        let mut text = String::from(HEADER);
        for reject in rejects {
            let origin = &reject.origin;
            let mut line = Line::new(&mut text);
            line.text(&origin.file).whole(origin.line).whole(u64::from(origin.column));
            line.text(&origin.tag).text(reject.reason.name());
            line.text(&reject.read).text(&reject.expected);
            line.end();
        }
        let staged = format!("{path}.new");
        storage
            .create_dir(REJECTS)
            .and_then(|()| put(&**storage, &staged, text.as_bytes()))
            .and_then(|()| storage.rename(&staged, &path))
            .map_err(|e| StoreError::io("write", &path, e))?;
        Ok(Some(path))
    }
}

/// A hash as it is; anything else is hashed, because no outside text may become a path.
fn file_name(dump_hash: &str) -> String {
    let is_hash = dump_hash.len() >= NAME_LENGTH
        && dump_hash.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
    let name = if is_hash { dump_hash.to_string() } else { seal::hash(dump_hash.as_bytes()) };
    name.chars().take(NAME_LENGTH).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_outside_text_becomes_a_path() {
        for odd in ["../../x", "", "CON", "a/b", "0123456789ABCDEF"] {
            let name = file_name(odd);
            assert!(name.len() == 16 && name.bytes().all(|b| b.is_ascii_hexdigit()), "{odd}");
        }
        assert_eq!(file_name("00112233445566778899"), "0011223344556677");
    }
}
