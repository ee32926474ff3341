//! Instruments: links, codecs, operations.
