//! Notes that were made together, as on one form: all of them are kept, or none.

use evenpull_job::SealState;
use sqlx::{Sqlite, SqliteConnection, Transaction};
use toml_edit::{DocumentMut, InlineTable, Item, Value};

use crate::error::StoreError;
use crate::fragment::value_text;
use crate::job_text::ReadingPart;
use crate::jobs::check_texts;
use crate::moment::Moment;
use crate::readings::{NewReading, packed};
use crate::remarks;
use crate::seals::{SealMoment, begins_the_checks, one_value, sealed_part};
use crate::stages::MovedBy;
use crate::store::Store;

/// One value inside a check, put in or taken back; the rest of the check stays as it was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CheckEdit {
    /// Key of `[checks]`, then the keys that lead to the value, such as the body.
    pub path: Vec<String>,
    /// The value in TOML; `None` takes back what was noted there.
    pub value_toml: Option<String>,
}

/// What one form holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NotedTogether {
    /// Seals looked at.
    pub seals: Vec<(SealMoment, String, SealState)>,
    /// Checks made or taken back.
    pub checks: Vec<CheckEdit>,
    /// Readings in order.
    pub readings: Vec<NewReading>,
    /// Topic and text of remarks.
    pub remarks: Vec<(String, String)>,
}

impl NotedTogether {
    /// What of it moves the job on furthest. A check that is taken back shows nothing.
    fn moves_on(&self) -> Option<MovedBy> {
        let checks = self.checks.iter().filter(|c| c.value_toml.is_some());
        let mut names = checks.filter_map(|c| c.path.first());
        let mut seals = self.seals.iter();
        if names.any(|name| begins_the_checks(name)) {
            Some(MovedBy::Check)
        } else if seals.any(|(moment, ..)| *moment == SealMoment::Found) {
            Some(MovedBy::Seal)
        } else {
            (!self.readings.is_empty()).then_some(MovedBy::Reading)
        }
    }
}

impl Store {
    /// Keeps everything that was noted together; where one of it cannot be kept, none of it is.
    ///
    /// # Errors
    /// As [`Store::record_seal`], [`Store::record_check`], [`Store::add_reading`] and
    /// [`Store::record_remark`].
    pub async fn record_together(
        &self,
        job_id: i64,
        noted: &NotedTogether,
        at: Moment,
    ) -> Result<(), StoreError> {
        let mut tx = self.write(at).await?;
        self.touch(&mut tx, job_id, at).await?;
        // First, so that readings of the form are kept in the stage that it shows.
        if let Some(why) = noted.moves_on() {
            self.move_on(&mut tx, job_id, why, at).await?;
        }
        for edit in &noted.checks {
            self.edit_check(&mut tx, job_id, edit, at).await?;
        }
        for (moment, part, state) in &noted.seals {
            let word = state.as_str();
            self.insert_seal(&mut tx, job_id, *moment, part, word, at)
                .await?;
        }
        for new in &noted.readings {
            let recording = new.recording.as_ref().map(packed).transpose()?;
            let part = ReadingPart::of(&new.values_toml)?;
            self.insert_reading(&mut tx, job_id, part, recording, at)
                .await?;
        }
        for (topic, text) in &noted.remarks {
            remarks::check(topic, text)?;
            self.insert_remark(&mut tx, job_id, topic, text, at).await?;
        }
        let (parts, profile) = self.parts(&mut tx, job_id).await?;
        for (_, part, _) in &noted.seals {
            sealed_part(&profile, part)?;
        }
        check_texts(&parts.text(), &profile)?;
        self.commit(tx).await
    }

    async fn edit_check(
        &self,
        tx: &mut Transaction<'static, Sqlite>,
        job_id: i64,
        edit: &CheckEdit,
        at: Moment,
    ) -> Result<(), StoreError> {
        let Some((name, inner)) = edit.path.split_first() else {
            return Err(StoreError::invalid(
                "check",
                "no name was given",
                "name a key of `[checks]`",
            ));
        };
        let stored = self.last_check(tx, job_id, name).await?;
        let value = edited(&stored, inner, edit.value_toml.as_deref())?;
        if value.is_empty() {
            // Nothing is left of the check, and nothing stands for that: see `Store::parts`.
            if !stored.is_empty() {
                self.insert_check(tx, job_id, name, "", at).await?;
            }
            return Ok(());
        }
        let (name, value) = one_value(name, &value)?;
        self.insert_check(tx, job_id, &name, &value, at).await?;
        Ok(())
    }

    /// What is noted of a check by now; empty where nothing is.
    async fn last_check(
        &self,
        connection: &mut SqliteConnection,
        job_id: i64,
        name: &str,
    ) -> Result<String, StoreError> {
        let stored: Option<String> = sqlx::query_scalar(
            "SELECT value_toml FROM checks WHERE job_id = $1 AND name = $2 \
             ORDER BY id DESC LIMIT 1",
        )
        .bind(job_id)
        .bind(name)
        .fetch_optional(connection)
        .await
        .map_err(self.fail())?;
        Ok(stored.unwrap_or_default())
    }
}

/// A check's value with one value inside it put in or taken out; empty when nothing is left.
fn edited(stored: &str, inner: &[String], value: Option<&str>) -> Result<String, StoreError> {
    let Some((last, way)) = inner.split_last() else {
        return Ok(value.unwrap_or_default().to_owned());
    };
    let mut root = match parsed(if stored.is_empty() { "{}" } else { stored })? {
        Value::InlineTable(table) => table,
        // What stood there was no table of bodies; the file's reader will not have taken it.
        _ => InlineTable::new(),
    };
    let mut table = &mut root;
    for key in way {
        let next = table
            .entry(key)
            .or_insert_with(|| InlineTable::new().into());
        if !next.is_inline_table() {
            *next = InlineTable::new().into();
        }
        match next {
            Value::InlineTable(inner) => table = inner,
            _ => return Ok(stored.to_owned()),
        }
    }
    table.remove(last);
    // The same valve in the other unit would contradict it.
    if let Some(stem) = last.strip_suffix("_mm") {
        table.remove(&format!("{stem}_thou"));
    }
    if let Some(value) = value {
        table.insert(last, parsed(value)?);
    }
    without_empty(&mut root);
    if root.is_empty() {
        return Ok(String::new());
    }
    Ok(value_text(&Item::Value(root.into())))
}

fn parsed(value: &str) -> Result<Value, StoreError> {
    let wrong = |why: String| StoreError::invalid("check", why, "give one value in TOML");
    let document: DocumentMut = format!("value = {value}\n")
        .parse()
        .map_err(|e: toml_edit::TomlError| wrong(e.to_string().trim_end().to_owned()))?;
    let item = document.get("value").cloned().unwrap_or(Item::None);
    item.into_value()
        .map_err(|_| wrong(format!("`{value}` is no value")))
}

/// Takes out the tables that nothing is left in, and writes the rest with even blanks.
fn without_empty(table: &mut InlineTable) {
    let mut empty = Vec::new();
    for (key, value) in table.iter_mut() {
        if let Value::InlineTable(inner) = value {
            without_empty(inner);
            if inner.is_empty() {
                empty.push(key.get().to_owned());
            }
        }
    }
    for key in empty {
        table.remove(&key);
    }
    table.fmt();
}

#[cfg(test)]
mod tests {
    use super::edited;

    #[test]
    fn one_value_of_a_check_is_put_in_or_taken_back_and_the_rest_stays() {
        let path = |keys: &[&str]| keys.iter().map(|k| (*k).to_owned()).collect::<Vec<_>>();
        for (stored, keys, value, left) in [
            ("", &["left"][..], Some("1170"), "{ left = 1170 }"),
            (
                "{ left = 1100, right = \"1090,5\" }",
                &["left"],
                Some("1170"),
                "{ right = \"1090,5\", left = 1170 }",
            ),
            ("{ left = 1100 }", &["left"], None, ""),
            ("{ left = 1100 }", &["right"], None, "{ left = 1100 }"),
            (
                "{ left = { inlet_mm = 0.1, exhaust_mm = [0.15, 0.16] } }",
                &["left", "inlet_mm"],
                Some("0.22"),
                "{ left = { exhaust_mm = [0.15, 0.16], inlet_mm = 0.22 } }",
            ),
            (
                "{ left.inlet_thou = 4 }",
                &["left", "inlet_mm"],
                Some("0.22"),
                "{ left.inlet_mm = 0.22 }",
            ),
            (
                "{ left = { inlet_mm = 1 } }",
                &["left", "inlet_mm"],
                None,
                "",
            ),
            ("true", &[], Some("false"), "false"),
            ("true", &[], None, ""),
        ] {
            let found = edited(stored, &path(keys), value).unwrap();
            assert_eq!(found, left, "{stored} {keys:?}");
        }
    }
}
