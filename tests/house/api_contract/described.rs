//! Holds an answer against what the description says of it.

use super::*;

/// The described shape: `$ref`, `type`, `enum`, `required`, `properties`,
/// `additionalProperties`, `items`.
pub fn fits(root: &Value, schema: &Value, v: &Value, at: &str) {
    if let Some(name) = schema["$ref"].as_str() {
        let schema = &root["components"]["schemas"][name.rsplit('/').next().unwrap()];
        return fits(root, schema, v, at);
    }
    if let Some(allowed) = schema["enum"].as_array() {
        assert!(allowed.contains(v), "{at}: {v} is not one of {allowed:?}");
    }
    let kinds: Vec<&str> = match &schema["type"] {
        Value::String(s) => vec![s],
        Value::Array(a) => a.iter().filter_map(Value::as_str).collect(),
        _ => Vec::new(),
    };
    let is = |kind: &&str| match *kind {
        "object" => v.is_object(),
        "array" => v.is_array(),
        "string" => v.is_string(),
        "number" => v.is_number(),
        "integer" => v.is_i64() || v.is_u64(),
        "boolean" => v.is_boolean(),
        _ => v.is_null(),
    };
    assert!(kinds.is_empty() || kinds.iter().any(is), "{at}: {v} is no {kinds:?}");
    if let Some(object) = v.as_object() {
        for key in schema["required"].as_array().into_iter().flatten() {
            assert!(object.contains_key(key.as_str().unwrap()), "{at}: {key} is missing");
        }
        for (key, value) in object {
            let inner = &schema["properties"][key];
            let open = schema["additionalProperties"] != Value::Bool(false);
            assert!(!inner.is_null() || open, "{at}: {key} is not described");
            if !inner.is_null() {
                fits(root, inner, value, &format!("{at}.{key}"));
            }
        }
    }
    for item in v.as_array().into_iter().flatten() {
        fits(root, &schema["items"], item, &format!("{at}[]"));
    }
}

pub struct Contract {
    pub page: PageRoom,
    pub root: Value,
}

impl Contract {
    /// Asks, and holds the answer against the description.
    pub async fn ask(&self, method: &str, path: &str, template: &str, body: &str, status: u16) -> Value {
        let (got, answer) = self.page.ask(method, path, "", body).await;
        assert_eq!(got, status, "{method} {path}: {answer}");
        let described = &self.root["paths"][template][method.to_lowercase()]["responses"][got.to_string()];
        assert!(described.is_object(), "{method} {template} does not describe {got}");
        let (head, text) = answer.split_once("\r\n\r\n").unwrap();
        let head = head.to_lowercase();
        for header in ["content-security-policy:", "x-content-type-options: nosniff", "referrer-policy:"] {
            assert!(head.contains(header), "{path}: {header} is missing");
        }
        let Some(content) = described["content"].as_object() else {
            assert!(text.is_empty(), "{method} {path} has a body that is not described");
            return Value::Null;
        };
        let kind = content.keys().next().unwrap();
        assert!(head.contains(&format!("content-type: {kind}")), "{path}: not {kind}: {head}");
        if kind != "application/json" {
            return Value::Null;
        }
        let value: Value = serde_json::from_str(text).unwrap();
        fits(&self.root, &content[kind]["schema"], &value, template);
        value
    }
}

pub async fn contract() -> Contract {
    Contract { page: PageRoom::open(|_| {}).await, root: description() }
}
