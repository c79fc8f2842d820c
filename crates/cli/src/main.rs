//! The settlepoint command line.

fn main() {}
