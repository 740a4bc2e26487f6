//! motes
