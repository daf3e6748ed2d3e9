//! The demo: a fictional layout that runs by itself.

fn main() {}
