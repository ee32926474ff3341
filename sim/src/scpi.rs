//! SCPI codec.
