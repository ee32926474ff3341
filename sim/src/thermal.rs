//! Cell temperature with heat capacity and wind.
