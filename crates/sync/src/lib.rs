//! The exchange between a tablet and the trailer: a state machine without I/O, and its client.
