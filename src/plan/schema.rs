//! The JSON Schema (2020-12) of the plan file, for editors.
//!
//! It is made from the same tables that read the plan, so that the two cannot differ. It does not
//! know what only a whole plan can show: ids that do not exist, ends that meet twice.

use serde_json::{Value, json};

use super::document::{PlanDoc, section_schema};

/// The schema.
#[must_use]
pub fn schema() -> Value {
    let mut schema = section_schema::<PlanDoc>();
    if let Some(fields) = schema.as_object_mut() {
        fields.insert(
            "$schema".into(),
            json!("https://json-schema.org/draft/2020-12/schema"),
        );
        fields.insert("title".into(), json!("taillamp plan"));
    }
    schema
}
