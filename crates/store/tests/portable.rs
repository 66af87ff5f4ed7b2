//! The SQL of the records, held against PostgreSQL: it is to be taken there one day.
//!
//! Every statement is read out of the sources, so that a new one is looked at without being listed. A
//! parser of PostgreSQL's dialect reads all of them on every run. Where `EVENPULL_POSTGRES` names a
//! database as `psql` takes it, PostgreSQL itself makes the tables and prepares every statement, in a
//! transaction that is rolled back.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use sqlparser::dialect::PostgreSqlDialect;
use sqlparser::parser::Parser;

/// First words of a statement.
const VERBS: [&str; 10] = [
    "SELECT", "INSERT", "UPDATE", "DELETE", "WITH", "PRAGMA", "VACUUM", "ATTACH", "DETACH", "BEGIN",
];

/// What tells a statement about the file itself, which another database has no use for.
const ABOUT_THE_FILE: [&str; 9] = [
    "PRAGMA ",
    "VACUUM ",
    "ATTACH ",
    "DETACH ",
    "BEGIN ",
    "sqlite_master",
    "pragma_",
    "damaged.",
    "main.",
];

/// Sources that open, copy, check or mend the file; no other may hold such a statement.
const OF_THE_FILE: [&str; 6] = [
    "integrity.rs",
    "owners.rs",
    "salvage.rs",
    "schema.rs",
    "snapshot.rs",
    "store.rs",
];

/// What is put into a statement where it is sent, each way it can be.
const FILLED_IN: [(&str, [&str; 2]); 2] = [
    ("{one}", ["$2 = 0", "j.id = $2"]),
    ("{machine}", ["$3 = 0", "j.machine_id = $3"]),
];

/// Words that a lenient parser takes and PostgreSQL does not, or takes for something else.
const SQLITE_ONLY: [&str; 10] = [
    "AUTOINCREMENT",
    "COLLATE NOCASE",
    "GLOB ",
    "GROUP_CONCAT",
    "IFNULL",
    "INSERT OR ",
    "REPLACE INTO",
    "STRFTIME",
    "DATETIME(",
    "ROWID",
];

/// Types that come back; the records read no others.
const TYPES: [&str; 4] = ["bigint", "text", "double precision", "bytea"];

#[derive(Debug)]
struct Statement {
    /// Source and line.
    place: String,
    sql: String,
}

impl Statement {
    fn is_about_the_file(&self) -> bool {
        ABOUT_THE_FILE.iter().any(|word| self.sql.contains(word))
    }
}

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

fn files_in(name: &str, end: &str) -> Vec<(String, String)> {
    let mut files: Vec<(String, String)> = std::fs::read_dir(folder(name))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == end))
        .map(|path| {
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            (name, std::fs::read_to_string(&path).unwrap())
        })
        .collect();
    files.sort();
    files
}

/// The texts between quotation marks in a Rust source, each with its line.
fn literals(source: &str) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    let mut rest = source.char_indices().peekable();
    let line = |at: usize| 1 + source[..at].matches('\n').count();
    while let Some((at, c)) = rest.next() {
        match c {
            '/' if rest.next_if(|(_, c)| *c == '/').is_some() => {
                while rest.next_if(|(_, c)| *c != '\n').is_some() {}
            }
            // A quotation mark as a character is no text.
            '\'' if source[at..].starts_with("'\"'") => drop((rest.next(), rest.next())),
            '\'' if source[at..].starts_with("'\\") => drop((rest.next(), rest.next())),
            '"' => {
                let mut text = String::new();
                while let Some((_, c)) = rest.next() {
                    match c {
                        '"' => break,
                        '\\' => match rest.next() {
                            // The line goes on where the next one begins.
                            Some((_, '\n')) => {
                                while rest.next_if(|(_, c)| c.is_whitespace()).is_some() {}
                            }
                            Some((_, 'n')) => text.push('\n'),
                            Some((_, c)) => text.push(c),
                            None => {}
                        },
                        c => text.push(c),
                    }
                }
                found.push((line(at), text));
            }
            _ => {}
        }
    }
    found
}

/// Every statement of the sources, in all ways it can be sent.
fn statements() -> Vec<Statement> {
    let mut all = Vec::new();
    for (name, source) in files_in("src", "rs") {
        let source = source.split("#[cfg(test)]").next().unwrap();
        assert!(
            !source.contains("r#\""),
            "{name}: raw texts are not read here"
        );
        for (line, text) in literals(source) {
            let first = text.split([' ', '\n']).next().unwrap();
            if !VERBS.contains(&first) || text == first {
                continue;
            }
            let place = format!("{name}:{line}");
            let mut ways = vec![text];
            for (hole, fillings) in FILLED_IN {
                if ways[0].contains(hole) {
                    let fill = |sql: &String| fillings.map(|filling| sql.replace(hole, filling));
                    ways = ways.iter().flat_map(fill).collect();
                }
            }
            all.extend(ways.into_iter().map(|sql| Statement {
                place: place.clone(),
                sql,
            }));
        }
    }
    all
}

fn portable() -> Vec<Statement> {
    let mut all = statements();
    all.retain(|s| !s.is_about_the_file());
    all
}

#[test]
fn every_statement_is_found() {
    let all = statements();
    // What is not written where it is sent: one list, and the mending of a damaged file.
    let sent: usize = files_in("src", "rs")
        .iter()
        .map(|(_, source)| source.matches("sqlx::query").count())
        .sum();
    let made: usize = files_in("src", "rs")
        .iter()
        .map(|(_, source)| source.matches("AssertSqlSafe(").count())
        .sum();
    let written = all.len();
    assert!(
        written >= sent - made,
        "{written} found, {sent} sent, {made} of them made"
    );
    let known = files_in("src", "rs");
    for filling in FILLED_IN.iter().flat_map(|(_, fillings)| fillings) {
        let quoted = format!("\"{filling}\"");
        assert!(known.iter().any(|(_, s)| s.contains(&quoted)), "{filling}");
    }
}

#[test]
fn what_is_about_the_file_stays_where_the_file_is_handled() {
    for statement in statements().iter().filter(|s| s.is_about_the_file()) {
        let (name, _) = statement.place.split_once(':').unwrap();
        assert!(OF_THE_FILE.contains(&name), "{statement:?}");
    }
}

#[test]
fn a_parser_of_the_dialect_reads_every_statement_and_migration() {
    let all = portable();
    for statement in &all {
        let Statement { place, sql } = statement;
        let read = Parser::parse_sql(&PostgreSqlDialect {}, sql);
        let read = read.unwrap_or_else(|e| panic!("{place}: {e}\n{sql}"));
        assert_eq!(read.len(), 1, "{place}: {sql}");
        assert!(!sql.contains(['{', '}', '?']), "{place}: {sql}");
        for word in SQLITE_ONLY {
            assert!(!sql.to_uppercase().contains(word), "{place} uses `{word}`");
        }
    }
    for (name, sql) in files_in("migrations", "sql") {
        let read = Parser::parse_sql(&PostgreSqlDialect {}, &sql);
        assert!(!read.unwrap_or_else(|e| panic!("{name}: {e}")).is_empty());
    }
    println!("{} statements", all.len());
}

/// The tables as PostgreSQL makes them. Numbers are `INTEGER` here because that is what SQLite takes as
/// the number of a row; there it is half as long as the numbers of the program.
fn tables() -> String {
    let all = files_in("migrations", "sql");
    let mut tables: String = all
        .iter()
        .map(|(_, sql)| sql.replace("INTEGER", "BIGINT"))
        .collect();
    // The driver's own, in which it counts the migrations.
    tables.push_str("CREATE TABLE _sqlx_migrations (version BIGINT PRIMARY KEY);\n");
    tables
}

#[test]
fn postgresql_itself_prepares_every_statement() {
    let Ok(database) = std::env::var("EVENPULL_POSTGRES") else {
        println!("*** LEFT OUT: `EVENPULL_POSTGRES` names no database of PostgreSQL");
        return;
    };
    let all = portable();
    let mut script =
        String::from("BEGIN;\nCREATE SCHEMA portable;\nSET LOCAL search_path TO portable;\n");
    script.push_str(&tables());
    for (number, Statement { place, sql }) in all.iter().enumerate() {
        // What comes back of a statement that asks is described as well.
        let asks = sql.starts_with("SELECT") || sql.contains(" RETURNING ");
        let _ = writeln!(script, "\\echo @{place}\nPREPARE s{number} AS {sql};");
        if asks {
            let _ = writeln!(script, "{sql} \\gdesc");
        }
    }
    script.push_str("ROLLBACK;\n");
    let mut psql = Command::new("psql")
        .args(["--no-psqlrc", "--quiet", "--no-align", "--tuples-only"])
        .args(["--set", "ON_ERROR_STOP=1", "--file", "-", &database])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = psql.stdin.take().unwrap();
    let writer = std::thread::spawn(move || input.write_all(script.as_bytes()));
    let output = psql.wait_with_output().unwrap();
    let (said, errors) = (
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr),
    );
    assert!(output.status.success(), "{said}\n{errors}");
    writer.join().unwrap().unwrap();
    let mut place = "";
    let mut columns = 0;
    for line in said.lines() {
        if let Some(now) = line.strip_prefix('@') {
            place = now;
        } else {
            let (name, kind) = line.rsplit_once('|').unwrap();
            assert!(TYPES.contains(&kind), "{place}: {name} is {kind}");
            columns += 1;
        }
    }
    assert!(columns > all.len(), "{said}");
    println!(
        "PostgreSQL prepared {} statements; {columns} columns come back",
        all.len()
    );
}
