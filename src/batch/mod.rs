//! The batch log: one append-only CSV file a batch, the only state there is.
