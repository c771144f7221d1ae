//! Rows as SQLite takes them: a JSON array a table, of arrays.

use sqlx::error::BoxDynError;

use crate::store::error::StoreError;
use crate::store::rows::Rows;
use crate::store::table::{OnConflict, Table, close};

/// Rows of one command after another, written as they come.
#[derive(Debug, Default)]
pub(super) struct Json {
    /// The rows. They are kept for those that take another's place: of these only the last counts.
    rows: Rows,
    /// The others, by table: each a JSON array with a comma after it.
    added: Vec<Vec<u8>>,
    failure: Option<BoxDynError>,
}

impl Json {
    pub fn of(rows: Rows) -> Self {
        let mut json = Self::default();
        json.add(rows);
        json
    }

    /// Adds rows of another command. That they cannot be written is told by [`tables`](Self::tables).
    pub fn add(&mut self, rows: Rows) {
        let first_seen = rows.first_seen();
        let parts = rows.parts(&first_seen);
        self.added.resize_with(parts.len(), Vec::new);
        for (part, added) in parts.iter().zip(&mut self.added) {
            if part.table().on_conflict == OnConflict::Add {
                self.failure = part.json(added).err().or(self.failure.take());
            }
        }
        self.rows.extend(rows);
    }

    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// The tables that have rows, each with its place among all, and their JSON.
    pub fn tables(self) -> Result<Vec<(usize, Table, String)>, StoreError> {
        match self.failure {
            Some(failure) => Err(sqlx::Error::Encode(failure).into()),
            None => tables(self.rows.newest_heads(), self.added).map_err(|failure| sqlx::Error::Encode(failure).into()),
        }
    }
}

fn tables(rows: Rows, added: Vec<Vec<u8>>) -> Result<Vec<(usize, Table, String)>, BoxDynError> {
    let first_seen = Vec::new();
    let mut tables = Vec::new();
    for (at, (part, mut json)) in rows.parts(&first_seen).into_iter().zip(added).enumerate() {
        if part.table().on_conflict != OnConflict::Add {
            part.json(&mut json)?;
        }
        if !json.is_empty() {
            json.insert(0, b'[');
            close(&mut json);
            tables.push((at, part.table(), String::from_utf8(json)?));
        }
    }
    Ok(tables)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::rows::{EntityHeadRow, NaturalKeyRow};
    use crate::store::table::Part;

    #[test]
    fn text_is_escaped_and_integers_are_whole() {
        let row = EntityHeadRow {
            entity: "A\"B".to_owned(),
            sequence: i64::MAX,
            release: 0,
            recorded_at: i64::MIN,
            hash: "'; drop table entity; --".to_owned(),
            closed_through: None,
        };
        let mut out = Vec::new();
        Part::json(&vec![row], &mut out).expect("a row is JSON");
        let expected = r#"["A\"B",9223372036854775807,0,-9223372036854775808,"'; drop table entity; --",null],"#;
        assert_eq!(String::from_utf8_lossy(&out), expected);
    }

    #[test]
    fn a_row_that_is_replaced_stands_once_and_others_as_often_as_they_come() {
        let of = |sequence: i64| Rows {
            entity_heads: vec![EntityHeadRow {
                entity: "E".to_owned(),
                sequence,
                release: 0,
                recorded_at: 0,
                hash: String::new(),
                closed_through: None,
            }],
            natural_keys: vec![NaturalKeyRow {
                entity: "E".to_owned(),
                kind: "conversion".to_owned(),
                reference: sequence.to_string(),
                id: String::new(),
            }],
            ..Rows::default()
        };
        let mut json = Json::of(of(1));
        json.add(of(2));
        assert_eq!(json.len(), 4);
        let tables = json.tables().expect("rows are JSON");
        let written: Vec<(&str, &str)> = tables.iter().map(|(_, table, json)| (table.name, json.as_str())).collect();
        let expected = [
            ("entity_head", r#"[["E",2,0,0,"",null]]"#),
            ("natural_key", r#"[["E","conversion","1",""],["E","conversion","2",""]]"#),
        ];
        assert_eq!(written, expected);
    }
}
