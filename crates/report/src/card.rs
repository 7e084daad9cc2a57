//! Where an output came from.

use metersift_model::Day;

/// Names the run that made an output, so that it can be made again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunCard {
    /// Name of the run.
    pub run: String,
    /// Hash of the configuration.
    pub config_hash: String,
    /// Hash or number of the ledger state that the run saw.
    pub ledger: String,
    /// Program and version.
    pub program: String,
    /// First day that was not looked at.
    pub as_of: Day,
}

impl RunCard {
    /// The card as names and values, in the order of every output.
    pub fn lines(&self) -> [(&'static str, String); 5] {
        [
            ("run", self.run.clone()),
            ("config", self.config_hash.clone()),
            ("ledger", self.ledger.clone()),
            ("program", self.program.clone()),
            ("as_of", self.as_of.to_string()),
        ]
    }

    /// The three names that go beside every row of a table without metadata.
    pub(crate) fn beside_rows(&self) -> [(&'static str, &str); 3] {
        [("run", &self.run), ("config", &self.config_hash), ("ledger", &self.ledger)]
    }
}
