//! The tables, the same on both databases, and how an older store becomes one of today.
//!
//! `chain` and `body` are the record; what else there is follows from the bodies (`derived`) and can be made anew. Of the chain no row
//! is ever changed or removed, of the bodies none is ever changed. `follows` is there so that a database itself refuses a gap: the
//! row of an entry needs that of the entry before.
//!
//! A store keeps the number of each migration it went through. Migrations are only ever added, never altered.

use super::database::{Database, DatabaseError, Value};

/// The migrations, in order; the first makes an empty store.
const MIGRATIONS: [&str; 1] = [
    // Times are ms since 1970-01-01 in universal time, yes is 1, hashes are in hexadecimal.
    "CREATE TABLE chain (
        seq BIGINT NOT NULL PRIMARY KEY,
        follows BIGINT REFERENCES chain (seq),
        kind TEXT NOT NULL,
        body_hash TEXT NOT NULL,
        prev TEXT NOT NULL,
        hash TEXT NOT NULL,
        station TEXT NOT NULL,
        added_at BIGINT NOT NULL,
        signature TEXT,
        CHECK (seq >= 1 AND ((seq = 1 AND follows IS NULL) OR (seq > 1 AND follows IS NOT NULL AND follows = seq - 1)))
    );
    CREATE TABLE body (
        seq BIGINT NOT NULL PRIMARY KEY REFERENCES chain (seq),
        salt BYTEA NOT NULL,
        trainee TEXT,
        content BYTEA NOT NULL
    );
    CREATE INDEX body_trainee ON body (trainee);
    CREATE TABLE attempt (
        seq BIGINT NOT NULL PRIMARY KEY,
        trainee TEXT NOT NULL,
        station TEXT NOT NULL,
        added_at BIGINT NOT NULL,
        file_hash TEXT NOT NULL,
        eye TEXT NOT NULL,
        scenario TEXT NOT NULL,
        case_hash TEXT NOT NULL,
        seed TEXT NOT NULL,
        kind_of_eye TEXT,
        moved_by TEXT NOT NULL,
        device TEXT NOT NULL,
        engine TEXT NOT NULL,
        done_at BIGINT NOT NULL,
        assessed BIGINT NOT NULL,
        exam BIGINT NOT NULL,
        first_unseen BIGINT NOT NULL,
        pass BIGINT NOT NULL,
        score DOUBLE PRECISION,
        duration_s DOUBLE PRECISION,
        prediction_error DOUBLE PRECISION
    );
    CREATE UNIQUE INDEX attempt_file ON attempt (file_hash);
    CREATE INDEX attempt_eye ON attempt (trainee, eye);
    CREATE TABLE component (
        seq BIGINT NOT NULL,
        place BIGINT NOT NULL,
        trainee TEXT NOT NULL,
        id TEXT NOT NULL,
        value DOUBLE PRECISION,
        score DOUBLE PRECISION,
        PRIMARY KEY (seq, place)
    );
    CREATE TABLE critical (
        seq BIGINT NOT NULL,
        place BIGINT NOT NULL,
        trainee TEXT NOT NULL,
        event TEXT NOT NULL,
        t_s DOUBLE PRECISION,
        PRIMARY KEY (seq, place)
    );
    CREATE TABLE prediction (
        seq BIGINT NOT NULL,
        place BIGINT NOT NULL,
        trainee TEXT NOT NULL,
        t_s DOUBLE PRECISION,
        expected TEXT NOT NULL,
        came TEXT,
        is_right BIGINT,
        depth_off_mm DOUBLE PRECISION,
        error DOUBLE PRECISION,
        PRIMARY KEY (seq, place)
    );
    CREATE TABLE about (
        seq BIGINT NOT NULL PRIMARY KEY,
        of_seq BIGINT NOT NULL,
        trainee TEXT,
        kind TEXT NOT NULL,
        by_whom TEXT NOT NULL,
        case_hash TEXT,
        pass BIGINT,
        score DOUBLE PRECISION
    );
    CREATE INDEX about_of ON about (of_seq);
    CREATE TABLE station (
        seq BIGINT NOT NULL PRIMARY KEY,
        name TEXT NOT NULL,
        public_key TEXT NOT NULL
    );",
];

/// The version of a store that this program makes.
pub const VERSION: i64 = MIGRATIONS.len() as i64;

/// The version of a store; 0 where there are no tables yet.
fn version(database: &mut Database) -> Result<i64, DatabaseError> {
    let is_there = match database {
        Database::File(_) => "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = 'version'",
        Database::Server { .. } => {
            "SELECT count(*) FROM pg_catalog.pg_tables WHERE schemaname = current_schema() AND tablename = 'version'"
        }
    };
    let count = |rows: Vec<Vec<Value>>| rows.first().and_then(|row| row.first().and_then(Value::whole));
    if count(database.query(is_there, &[])?) != Some(1) {
        return Ok(0);
    }
    count(database.query("SELECT max(number) FROM version", &[])?)
        .filter(|number| *number >= 1)
        .ok_or_else(|| DatabaseError::Damaged("it does not say which version it has".to_owned()))
}

/// Bring a store to today's version. An empty one is only made where that is meant.
///
/// # Errors
/// A store of a newer version, none where one is needed, or what the database refuses.
pub fn prepare(database: &mut Database, is_made: bool) -> Result<(), DatabaseError> {
    let found = version(database)?;
    let check = |found: i64| {
        if found > VERSION { Err(DatabaseError::Newer { found, known: VERSION }) } else { Ok(found == VERSION) }
    };
    if check(found)? {
        return Ok(());
    }
    if found == 0 && !is_made {
        return Err(DatabaseError::Missing);
    }
    let made = database.transaction(|database| {
        // Another may have been quicker.
        let found = version(database)?;
        if check(found)? {
            return Ok(());
        }
        if found == 0 {
            database.plain("CREATE TABLE version (number BIGINT NOT NULL PRIMARY KEY)")?;
        }
        for (migration, number) in MIGRATIONS.iter().zip(1_i64..).skip(found.max(0) as usize) {
            database.plain(migration)?;
            database.execute("INSERT INTO version (number) VALUES ($1)", &[number.into()])?;
        }
        Ok(())
    });
    match made {
        // A server lets two begin the same table and refuses the second when the first is done.
        Err(_) if version(database).is_ok_and(|number| number == VERSION) => Ok(()),
        made => made,
    }
}
