//! Pointers into a JSON payload, as RFC 6901 resolves them.

use serde_json::{Value, json};

#[test]
fn rfc_6901_section_5() {
    let document: Value = serde_json::from_str(
        r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,
            "m~n":8}"#,
    )
    .expect("the document of RFC 6901, section 5");
    let table = [
        ("/foo", json!(["bar", "baz"])),
        ("/foo/0", json!("bar")),
        ("/", json!(0)),
        ("/a~1b", json!(1)),
        ("/c%d", json!(2)),
        ("/e^f", json!(3)),
        ("/g|h", json!(4)),
        ("/i\\j", json!(5)),
        ("/k\"l", json!(6)),
        ("/ ", json!(7)),
        ("/m~0n", json!(8)),
    ];
    assert_eq!(document.pointer(""), Some(&document));
    for (pointer, expected) in table {
        assert_eq!(document.pointer(pointer), Some(&expected), "{pointer}");
    }
    // Section 4: no leading zeros, and `-` is the element after the last.
    for pointer in ["/foo/2", "/foo/-", "/foo/00", "/bar", "foo"] {
        assert_eq!(document.pointer(pointer), None, "{pointer}");
    }
}
