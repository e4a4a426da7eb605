//! The limits of the format. Both the writer and the reader keep them, so that nothing can be written that others refuse.

/// Canonical bytes of one entry, without the signature.
pub const MAX_ENTRY_BYTES: usize = 256 * 1024;
/// Arrays and maps inside each other in one value.
pub const MAX_DEPTH: usize = 16;
/// UTF-8 bytes of a subject.
pub const MAX_SUBJECT_BYTES: usize = 256;
/// Bytes of a person's identifier.
pub const MAX_PERSON_BYTES: usize = 64;
/// Bytes of a kind's name.
pub const MAX_KIND_BYTES: usize = 64;
/// Hashes in a basis.
pub const MAX_BASIS: usize = 1024;
/// Entries of one transaction.
pub const MAX_TRANSACTION: usize = 1024;
/// Canonical bytes of all entries of one transaction together, so that a whole one always fits one message of a sync.
pub const MAX_TRANSACTION_BYTES: usize = 768 * 1024;
/// The largest seq, counter or uptime: what a signed 64-bit column can hold.
pub const MAX_COUNT: u64 = i64::MAX as u64;
