//! Photovoltaic devices: what the sun and the load see.
//!
//! Model: every device is made of [`single_diode`] parts scaled to the conditions of the moment
//! after De Soto et al. (2006). A module is a row of substrings, each with its own irradiance and a
//! bypass diode; a string is a row of modules; a concentrator receiver is a cell driven by direct
//! irradiance. All of them are rows of [`Substring`]s in series, so one type, [`Device`], serves.
//!
//! Device current is positive when the device delivers power; device voltage is positive forward.
