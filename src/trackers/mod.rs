//! Trackers.
