//! Lists, pairs, words and topics by name.

use std::marker::PhantomData;

use serde_json::{Value as Json, json};
use toml_edit::Item;

use super::{Kind, Payload, Spanned, Topic, place, wrong_type};
use crate::plan::report::Report;

/// The longest list in one value.
const LIST_MAX: usize = 4_096;

/// A list.
pub struct List<K>(PhantomData<K>);

impl<K: Kind> Kind for List<K> {
    type Value = Vec<Spanned<K::Value>>;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<Self::Value> {
        let Some(array) = item.as_array() else {
            wrong_type(item, at, key, "a list in [ ]", report);
            return None;
        };
        if array.len() > LIST_MAX {
            let message = format!("`{key}` has {} entries", array.len());
            report.error(at, "too-long", message, format!("use at most {LIST_MAX}"));
            return None;
        }
        let mut values = Vec::with_capacity(array.len());
        let mut whole = true;
        for value in array {
            let item = Item::Value(value.clone());
            let at = value.span().map_or(at, |span| span.start);
            match K::read(&item, at, key, report) {
                Some(value) => values.push(Spanned {
                    value,
                    at,
                    given: true,
                }),
                None => whole = false,
            }
        }
        whole.then_some(values)
    }

    fn schema() -> Json {
        json!({ "type": "array", "items": K::schema(), "maxItems": LIST_MAX })
    }
}

/// A list of exactly two.
pub struct Pair<K>(PhantomData<K>);

impl<K: Kind> Kind for Pair<K> {
    type Value = [Spanned<K::Value>; 2];

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<Self::Value> {
        let list = List::<K>::read(item, at, key, report)?;
        let count = list.len();
        let pair = list.try_into().ok();
        if pair.is_none() {
            let message = format!("`{key}` has {count} entries where two are wanted");
            report.error(at, "not-two", message, "write exactly two: [first, second]");
        }
        pair
    }

    fn schema() -> Json {
        json!({ "type": "array", "items": K::schema(), "minItems": 2, "maxItems": 2 })
    }
}

/// Our words, and the texts that mean each.
pub struct Words;

/// A word of ours, where it stands, and the texts that mean it.
pub type WordList = Vec<(Spanned<String>, Vec<Spanned<String>>)>;

impl Kind for Words {
    type Value = WordList;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<WordList> {
        let Some(table) = item.as_table_like() else {
            wrong_type(
                item,
                at,
                key,
                "a table such as { on = [\"1\"], off = [\"0\"] }",
                report,
            );
            return None;
        };
        let mut words = Vec::new();
        let mut whole = true;
        for (word, item) in table.iter() {
            let word_at = table
                .key(word)
                .and_then(|key| key.span())
                .map_or(at, |span| span.start);
            let at = place(item, word_at);
            let read = if item.is_str() {
                Payload::read(item, at, word, report).map(|value| {
                    vec![Spanned {
                        value,
                        at,
                        given: true,
                    }]
                })
            } else {
                List::<Payload>::read(item, at, word, report)
            };
            let word = Spanned {
                value: word.to_owned(),
                at: word_at,
                given: true,
            };
            match read {
                Some(texts) => words.push((word, texts)),
                None => whole = false,
            }
        }
        whole.then_some(words)
    }

    fn schema() -> Json {
        let texts = json!({ "anyOf": [
            { "type": "string" },
            { "type": "array", "items": { "type": "string" }, "maxItems": LIST_MAX },
        ] });
        json!({ "type": "object", "additionalProperties": texts })
    }
}

/// The end of a made turnout's id, and its topic.
pub type TopicList = Vec<(Spanned<String>, Spanned<String>)>;

/// Topics of the turnouts that an item makes, by the end of their ids.
pub struct Topics;

impl Kind for Topics {
    type Value = TopicList;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<Self::Value> {
        let Some(table) = item.as_table_like() else {
            wrong_type(item, at, key, "a table such as { a1 = \"topic\" }", report);
            return None;
        };
        let mut topics = Vec::new();
        let mut whole = true;
        for (end, item) in table.iter() {
            let end_at = table
                .key(end)
                .and_then(|key| key.span())
                .map_or(at, |span| span.start);
            let at = place(item, end_at);
            let end = Spanned {
                value: end.to_owned(),
                at: end_at,
                given: true,
            };
            match Topic::read(item, at, &end.value, report) {
                Some(value) => topics.push((
                    end,
                    Spanned {
                        value,
                        at,
                        given: true,
                    },
                )),
                None => whole = false,
            }
        }
        whole.then_some(topics)
    }

    fn schema() -> Json {
        json!({ "type": "object", "additionalProperties": Topic::schema() })
    }
}
