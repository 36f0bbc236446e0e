//! x
#[test]
fn x() {}
