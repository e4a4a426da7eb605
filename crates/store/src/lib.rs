//! The journal on disk: SQLite, projections, photos by content hash.
