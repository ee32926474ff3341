//! The bench: what stands between a device and the logger.
