//! Lines `key = value` of a job, written one by one.

use toml_edit::{Array, InlineTable, Item, Key, Value};

/// Keys and values in the words of `evenpull.job/1`, in the order they were put in.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fragment {
    text: String,
}

impl Fragment {
    /// Nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// A number; its unit is in the key.
    pub fn number(&mut self, key: &str, value: f64) -> &mut Self {
        self.put(key, Value::from(value))
    }

    /// A number, where there is one.
    pub fn maybe(&mut self, key: &str, value: Option<f64>) -> &mut Self {
        match value {
            Some(v) => self.number(key, v),
            None => self,
        }
    }

    /// A text.
    pub fn text(&mut self, key: &str, value: &str) -> &mut Self {
        self.put(key, Value::from(value))
    }

    /// True or false.
    pub fn flag(&mut self, key: &str, value: bool) -> &mut Self {
        self.put(key, Value::from(value))
    }

    /// A number for each named body or key; left out when the list is empty.
    pub fn named(&mut self, key: &str, values: &[(String, f64)]) -> &mut Self {
        self.named_with(key, values, &[])
    }

    /// As [`Fragment::named`], with texts behind the numbers.
    pub fn named_with(
        &mut self,
        key: &str,
        values: &[(String, f64)],
        texts: &[(&str, &str)],
    ) -> &mut Self {
        if values.is_empty() {
            return self;
        }
        let mut table = InlineTable::new();
        for (name, value) in values {
            table.insert(name, Value::from(*value));
        }
        for &(name, value) in texts {
            table.insert(name, Value::from(value));
        }
        self.put(key, Value::from(table))
    }

    /// A list of texts; left out when it is empty.
    pub fn texts(&mut self, key: &str, values: &[String]) -> &mut Self {
        if values.is_empty() {
            return self;
        }
        self.put(key, Value::from(Array::from_iter(values)))
    }

    /// A value that is TOML already.
    pub(crate) fn value(&mut self, key: &str, value_toml: &str) -> &mut Self {
        self.text
            .push_str(&format!("{} = {value_toml}\n", Key::new(key)));
        self
    }

    /// An item of a parsed text, tables made inline.
    pub(crate) fn item(&mut self, key: &str, item: &Item) -> &mut Self {
        match item.clone().into_value() {
            Ok(value) => self.put(key, value),
            Err(_) => self,
        }
    }

    fn put(&mut self, key: &str, value: Value) -> &mut Self {
        let value = value.decorated("", "");
        self.value(key, &value.to_string())
    }

    /// The lines.
    pub fn as_str(&self) -> &str {
        &self.text
    }
}

/// One value in TOML; a table becomes inline.
pub(crate) fn value_text(item: &Item) -> String {
    item.clone()
        .into_value()
        .map(|v| v.decorated("", "").to_string())
        .unwrap_or_default()
}
