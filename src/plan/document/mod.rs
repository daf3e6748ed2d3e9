//! The plan as written: every section with its keys, each value with its place.
//!
//! One table makes the structs, their reader, their defaults and their JSON Schema, so that none of
//! them can drift from the others. Input: the text. Output: sections, and findings about syntax,
//! unknown keys, missing keys and wrong values. It does not know how items refer to each other.

pub mod devices;
pub mod notify;
pub mod peers;
pub mod settings;
pub mod track;

use toml_edit::{Document, Item, TableLike};

use super::names::did_you_mean;
use super::report::Report;
use super::value::{Kind, Spanned, place};
use devices::{DetectorDoc, FeedDoc, NodeDoc};
use notify::NotifyDoc;
use peers::PeerDoc;
use serde_json::{Value as Json, json};
use settings::{DefaultsDoc, JournalDoc, LayoutDoc, MqttDoc, TrainsDoc, WebDoc};
use track::{
    BlockDoc, CrossingDoc, CrossoverDoc, DoubleCrossoverDoc, JoinDoc, SlipDoc, TableDoc, TurnoutDoc,
};

/// One key of a section.
#[derive(Debug)]
pub struct Key {
    /// As written.
    pub name: &'static str,
    /// For people.
    pub doc: &'static str,
    /// The section is wrong without it.
    pub required: bool,
    /// The published default.
    pub default: Option<fn() -> toml_edit::Value>,
    /// The JSON Schema of its value.
    pub schema: fn() -> Json,
}

/// A key's value, where it is given or has a default, and could be read.
pub type Field<K> = Option<Spanned<<K as Kind>::Value>>;

/// A table of the plan with a fixed set of keys.
pub trait Section: Sized {
    /// How messages call it: `[[block]]`.
    const LABEL: &'static str;
    /// For people.
    const DOC: &'static str;
    /// Its keys.
    const KEYS: &'static [Key];
    /// Reads it.
    fn read(table: &dyn TableLike, at: usize, report: &mut Report) -> Self;
    /// What it is where the plan does not have it.
    fn absent() -> Self {
        Self::read(&toml_edit::Table::new(), 0, &mut Report::default())
    }
}

/// Defines sections: structs, readers and key tables at once.
macro_rules! sections {
    (@key $field:ident) => { stringify!($field) };
    (@key $field:ident $key:literal) => { $key };
    (@required) => { false };
    (@required required) => { true };
    (@default) => { None };
    (@default $default:expr) => { Some(|| toml_edit::Value::from($default)) };
    ($(
        $(#[doc = $section_doc:literal])*
        $Name:ident $label:literal {
            $(
                $(#[doc = $doc:literal])*
                $field:ident $(as $key:literal)? : $K:ty $(= $default:expr)? $(; $required:ident)? ,
            )*
        }
    )*) => {$(
        $(#[doc = $section_doc])*
        #[derive(Clone, Debug, Default, PartialEq)]
        pub struct $Name {
            /// Where the section begins.
            pub at: usize,
            /// A value in it could not be read.
            pub broken: bool,
            $(
                $(#[doc = $doc])*
                pub $field: $crate::plan::document::Field<$K>,
            )*
        }

        impl $crate::plan::document::Section for $Name {
            const LABEL: &'static str = $label;
            const DOC: &'static str = concat!($($section_doc),*);
            const KEYS: &'static [$crate::plan::document::Key] = &[$(
                $crate::plan::document::Key {
                    name: sections!(@key $field $($key)?),
                    doc: concat!($($doc),*),
                    required: sections!(@required $($required)?),
                    default: sections!(@default $($default)?),
                    schema: <$K as $crate::plan::value::Kind>::schema,
                },
            )*];

            fn read(
                table: &dyn toml_edit::TableLike,
                at: usize,
                report: &mut $crate::plan::report::Report,
            ) -> Self {
                let mut reading = $crate::plan::document::Reading::begin::<Self>(table, at, report);
                Self {
                    at,
                    $($field: reading.value::<$K>(sections!(@key $field $($key)?)),)*
                    broken: reading.broken,
                }
            }
        }
    )*};
}
use sections;

sections! {
    /// The plan of a model railway: what there is, what watches it, and how the daemon serves it.
    PlanDoc "the plan" {
        /// What the layout is called and how it is scaled.
        layout: Table<LayoutDoc>; required,
        /// Where messages come from.
        mqtt: Table<MqttDoc>,
        /// The page for the phone.
        web: Table<WebDoc>,
        /// What is remembered on disk.
        journal: Table<JournalDoc>,
        /// What is true of all trains.
        trains: Table<TrainsDoc>,
        /// Times and limits that hold wherever an item does not have its own.
        defaults: Table<DefaultsDoc>,
        /// Lengths of track that are watched as one.
        block: Tables<BlockDoc>,
        /// Ends that meet.
        join: Tables<JoinDoc>,
        /// Turnouts.
        turnout: Tables<TurnoutDoc>,
        /// Pairs of turnouts that join two tracks.
        crossover: Tables<CrossoverDoc>,
        /// Double crossovers: their four turnouts, two crossovers and one crossing are made for
        /// you.
        double_crossover: Tables<DoubleCrossoverDoc>,
        /// Slips: their two turnouts, toe to toe, are made for you.
        slip: Tables<SlipDoc>,
        /// Places where two tracks cross and do not join.
        crossing: Tables<CrossingDoc>,
        /// Turntables, transfer tables, lift-out bridges.
        table: Tables<TableDoc>,
        /// Power switches.
        feed: Tables<FeedDoc>,
        /// What watches the track.
        detector: Tables<DetectorDoc>,
        /// Devices that carry detectors.
        node: Tables<NodeDoc>,
        /// Other daemons on the same broker, whose track begins where ours ends.
        peer: Tables<PeerDoc>,
        /// Ways out by which warnings leave: webhooks, an alert manager, mail, programs.
        notify: Tables<NotifyDoc>,
    }
}

/// Reads the text. `None` only where it is not TOML at all.
#[must_use]
pub fn read(text: &str, report: &mut Report) -> Option<PlanDoc> {
    match Document::parse(text) {
        Ok(document) => Some(PlanDoc::read(document.as_table(), 0, report)),
        Err(error) => {
            let at = error.span().map_or(0, |span| span.start);
            let message = error.message().lines().collect::<Vec<_>>().join(", ");
            let cure = "mend this line; TOML is described at toml.io";
            report.error(at, "syntax", format!("not TOML: {message}"), cure);
            None
        }
    }
}

/// A section being read.
pub struct Reading<'t> {
    table: &'t dyn TableLike,
    at: usize,
    keys: &'static [Key],
    report: &'t mut Report,
    /// A value could not be read.
    pub broken: bool,
}

impl<'t> Reading<'t> {
    /// Reports unknown and missing keys.
    pub fn begin<S: Section>(table: &'t dyn TableLike, at: usize, report: &'t mut Report) -> Self {
        let mut broken = false;
        for (name, item) in table.iter() {
            if S::KEYS.iter().any(|key| key.name == name) {
                continue;
            }
            broken = true;
            let at = table
                .key(name)
                .and_then(|key| key.span())
                .map_or_else(|| place(item, at), |span| span.start);
            report_unknown_key::<S>(name, at, report);
        }
        for key in S::KEYS
            .iter()
            .filter(|key| key.required && !table.contains_key(key.name))
        {
            broken = true;
            let message = format!("{} has no `{}`", S::LABEL, key.name);
            report.error(at, "missing-key", message, cure_of_missing::<S>(key));
        }
        Self {
            table,
            at,
            keys: S::KEYS,
            report,
            broken,
        }
    }

    /// One value; the published default where it is not given.
    pub fn value<K: Kind>(&mut self, name: &str) -> Option<Spanned<K::Value>> {
        let Some(item) = self.table.get(name) else {
            let key = self.keys.iter().find(|key| key.name == name)?;
            let item = Item::Value(key.default?());
            let value = K::read(&item, self.at, name, self.report)?;
            return Some(Spanned {
                value,
                at: self.at,
                given: false,
            });
        };
        let key_at = self
            .table
            .key(name)
            .and_then(|key| key.span())
            .map(|span| span.start);
        let at = place(item, key_at.unwrap_or(self.at));
        let value = K::read(item, at, name, self.report);
        self.broken |= value.is_none();
        value.map(|value| Spanned {
            value,
            at,
            given: true,
        })
    }
}

/// How a missing key is written: a value, a section or a list of sections.
fn cure_of_missing<S: Section>(key: &Key) -> String {
    let schema = (key.schema)();
    let outer = S::LABEL.trim_matches(['[', ']']);
    let inner = S::LABEL.starts_with('[').then_some(outer);
    let path = inner.map_or_else(
        || key.name.to_owned(),
        |outer| format!("{outer}.{}", key.name),
    );
    if schema["type"] == "object" {
        return format!("add [{path}] and its keys");
    }
    if schema["items"]["type"] == "object" {
        return format!("add a [[{path}]] for each");
    }
    format!("add `{} = ...`", key.name)
}

fn report_unknown_key<S: Section>(name: &str, at: usize, report: &mut Report) {
    let names = S::KEYS.iter().map(|key| key.name);
    let cure = did_you_mean(name, names.clone()).map_or_else(
        || {
            format!(
                "take it out; the keys here are {}",
                names.collect::<Vec<_>>().join(", ")
            )
        },
        |meant| format!("did you mean `{meant}`?"),
    );
    report.error(
        at,
        "unknown-key",
        format!("{} has no key `{name}`", S::LABEL),
        cure,
    );
}

/// A section as a value.
pub struct Table<S>(std::marker::PhantomData<S>);

impl<S: Section> Kind for Table<S> {
    type Value = S;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<S> {
        if let Some(table) = item.as_table_like() {
            return Some(S::read(table, at, report));
        }
        let found = item.type_name();
        let message = format!("`{key}` is of type {found} where a table is wanted");
        let cure = format!("write {} and its keys below it", S::LABEL);
        report.error(at, "wrong-type", message, cure);
        None
    }

    fn schema() -> Json {
        section_schema::<S>()
    }
}

/// Sections of one kind: `[[block]]` after `[[block]]`.
pub struct Tables<S>(std::marker::PhantomData<S>);

/// The most items of one kind.
const ITEMS_MAX: usize = 20_000;

impl<S: Section> Kind for Tables<S> {
    type Value = Vec<S>;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<Vec<S>> {
        let mut read = Vec::new();
        if let Some(tables) = item.as_array_of_tables() {
            for table in tables.iter().take(ITEMS_MAX) {
                let at = table.span().map_or(at, |span| span.start);
                read.push(S::read(table, at, report));
            }
            if tables.len() > ITEMS_MAX {
                let message = format!("there are {} of `{key}`", tables.len());
                report.error(at, "too-long", message, format!("use at most {ITEMS_MAX}"));
            }
            return Some(read);
        }
        let array = item.as_array().filter(|array| array.len() <= ITEMS_MAX);
        let inline = |value: &toml_edit::Value| value.is_inline_table();
        let Some(array) = array.filter(|array| array.iter().all(inline)) else {
            let message = format!("`{key}` is of type {} here", item.type_name());
            let cure = format!("write {} once for each, and its keys below it", S::LABEL);
            report.error(at, "wrong-type", message, cure);
            return None;
        };
        let tables = array
            .iter()
            .filter_map(|value| Some((value.as_inline_table()?, value)));
        for (table, value) in tables {
            let at = value.span().map_or(at, |span| span.start);
            read.push(S::read(table, at, report));
        }
        Some(read)
    }

    fn schema() -> Json {
        json!({ "type": "array", "items": section_schema::<S>(), "maxItems": ITEMS_MAX })
    }
}

/// The JSON Schema of a section.
#[must_use]
pub fn section_schema<S: Section>() -> Json {
    let properties = S::KEYS.iter().map(|key| {
        let mut schema = (key.schema)();
        if let Some(fields) = schema.as_object_mut() {
            // A section's own words stay with it; the key says what it is for here.
            fields.insert("description".to_owned(), json!(key.doc.trim()));
            if let Some(default) = key.default {
                fields.insert("default".to_owned(), json_of(&default()));
            }
        }
        (key.name.to_owned(), schema)
    });
    let required: Vec<&str> = S::KEYS
        .iter()
        .filter(|key| key.required)
        .map(|key| key.name)
        .collect();
    json!({
        "type": "object",
        "description": S::DOC.trim(),
        "properties": properties.collect::<serde_json::Map<_, _>>(),
        "required": required,
        "additionalProperties": false,
    })
}

/// A default as JSON: the defaults are plain scalars.
fn json_of(value: &toml_edit::Value) -> Json {
    if let Some(text) = value.as_str() {
        return json!(text);
    }
    if let Some(flag) = value.as_bool() {
        return json!(flag);
    }
    value
        .as_integer()
        .map_or_else(|| json!(value.as_float()), |integer| json!(integer))
}
