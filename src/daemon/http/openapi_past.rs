//! The past's part of `/openapi.json`: parameters and shapes of `/api/v1/history`.

use serde_json::{Value, json};

use super::openapi::object;
use super::routes::Shape;

/// The parameters of a route of the past; `None` for all others.
pub(super) fn parameters(shape: Shape) -> Option<Value> {
    let time = json!({
        "type": "string",
        "description": "RFC 3339 with its zone, or seconds since 1970",
    });
    let number = json!({"type": "integer", "minimum": 0});
    let view = json!({"enum": ["lanes", "events"], "default": "lanes"});
    let optional =
        |name: &str, schema: &Value| json!({"name": name, "in": "query", "schema": schema});
    Some(match shape {
        Shape::History => json!([
            optional("from", &time),
            optional("to", &time),
            optional("view", &view),
            optional("step_ms", &number),
            optional("limit", &number),
            optional("after", &number),
        ]),
        Shape::Past => {
            json!([{"name": "at", "in": "query", "required": true, "schema": time}])
        }
        Shape::Csv => json!([optional("from", &time), optional("to", &time)]),
        _ => return None,
    })
}

/// Lanes, or events.
pub(super) fn history() -> Value {
    let text = json!({"type": "string"});
    let ms = json!({"type": "integer", "description": "Milliseconds from the beginning"});
    let lane = json!({"type": "object", "additionalProperties": {"type": "array", "items": {
        "type": "object", "required": ["at"], "properties": {"at": ms},
    }}});
    let lanes = object(json!({
        "from": text, "to": text, "step_ms": {"type": "integer"}, "sampled": {"type": "boolean"},
        "blocks": lane, "turnouts": lane, "tables": lane, "feeds": lane,
        "trains": {"type": "object", "additionalProperties": object(json!({
            "name": {"type": ["string", "null"]},
            "track": {"type": "array", "items": object(json!({
                "at": ms, "event": text, "block": {"type": ["string", "null"]},
                "blocks": {"type": "array", "items": text},
            }))},
        }))},
        "alarms": {"type": "array", "items": object(json!({
            "id": text, "type": text, "subject": text, "priority": text, "from": ms,
            "to": {"type": ["integer", "null"]}, "text": text,
        }))},
        "gaps": {"type": "array", "items": object(json!({"from": ms, "to": ms}))},
    }));
    let events = object(json!({
        "from": text, "to": text,
        "events": {"type": "array", "items": {
            "type": "object", "required": ["seq", "at", "boot", "kind", "id"],
        }},
        "next": {"type": ["integer", "null"]},
    }));
    json!({"oneOf": [lanes, events]})
}

/// The snapshot, as it was, without line-up, which is not kept.
pub(super) fn state() -> Value {
    let records = json!({
        "type": "object",
        "additionalProperties": {"$ref": "#/components/schemas/Record"},
    });
    object(json!({
        "at": {"type": "string", "format": "date-time"},
        "past": {"const": true},
        "layout": {"type": "object"},
        "broker": {"enum": ["connected", "lost"]},
        "waiting": {"type": "null"},
        "blocks": records, "turnouts": records, "tables": records, "feeds": records,
        "detectors": records, "trains": records, "alarms": records,
    }))
}

/// Since when.
pub(super) fn extent() -> Value {
    let text = json!({"type": "string", "format": "date-time"});
    let or_none = json!({"type": ["string", "null"], "format": "date-time"});
    object(json!({
        "first": or_none, "last": or_none,
        "boots": {"type": "array", "items": object(json!({
            "boot": {"type": "integer"}, "from": text, "to": text,
            "trusted": {"type": "boolean"}, "stopped": {"type": "boolean"},
        }))},
    }))
}
