//! Who may do what with a store on a server: the server's own roles, and row security, so that it holds whatever program is used.
//!
//! | role | adds | reads | deletes bodies |
//! |---|---|---|---|
//! | trainee | own attempts and comments | own entries; of others the chain alone, which holds hashes | no |
//! | station | anybody's attempts | which files and eyes are there already, not what came of them | no |
//! | director | anybody's | everything | no |
//! | keeper | anybody's | everything | yes, with what follows from them |
//!
//! Nobody may change a row, and nobody may delete from the chain. The owner of the tables stands above all this, as does whoever runs
//! the server: what they change, `verify` finds against a head that was kept elsewhere. Whose entries are a trainee's own is written in
//! the table `member`, by login.

use super::database::{Database, Value};
use super::derived::TABLES;
use super::pseudonym::Pseudonym;
use super::store::{Logbook, LogbookError};

/// What a login may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Adds and reads own entries.
    Trainee,
    /// Adds anybody's.
    Station,
    /// Adds and reads anybody's.
    Director,
    /// The same, and deletes bodies.
    Keeper,
}

impl Role {
    /// Every one.
    pub const ALL: [Self; 4] = [Self::Trainee, Self::Station, Self::Director, Self::Keeper];

    /// The server's role of this kind.
    pub fn name(self) -> &'static str {
        match self {
            Self::Trainee => "corecleft_trainee",
            Self::Station => "corecleft_station",
            Self::Director => "corecleft_director",
            Self::Keeper => "corecleft_keeper",
        }
    }
}

/// All four.
const EVERYBODY: &str = "corecleft_trainee, corecleft_station, corecleft_director, corecleft_keeper";

/// What a station must see to tell what is there already.
const OF_ATTEMPT_FOR_STATIONS: &str = "seq, trainee, file_hash, eye";

/// Whose entries are a trainee's own.
const OWN: &str = "trainee = (SELECT member.trainee FROM member WHERE member.login = current_user::text)";

/// A name as the server takes it, whatever it holds.
fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}

fn check_login(login: &str) -> Result<(), LogbookError> {
    let is_plain = |c: char| c.is_alphanumeric() || "_-.@".contains(c);
    if (1..=63).contains(&login.len()) && login.chars().all(is_plain) {
        return Ok(());
    }
    Err(LogbookError::Login(login.chars().take(70).flat_map(char::escape_debug).collect()))
}

/// The statements that make the roles' rights, whatever rights there were. The roles themselves are made apart, where they are missing.
pub fn rights() -> Vec<String> {
    let mut all = vec![
        "CREATE TABLE IF NOT EXISTS member (login TEXT NOT NULL PRIMARY KEY, trainee TEXT NOT NULL)".to_owned(),
        format!("GRANT SELECT ON version, chain, body, member TO {EVERYBODY}"),
        format!("GRANT INSERT ON chain, body TO {EVERYBODY}"),
        "GRANT DELETE ON body TO corecleft_keeper".to_owned(),
        "ALTER TABLE member ENABLE ROW LEVEL SECURITY".to_owned(),
        "DROP POLICY IF EXISTS own ON member".to_owned(),
        "CREATE POLICY own ON member FOR SELECT USING (login = current_user::text)".to_owned(),
    ];
    let derived = TABLES.iter().map(|table| table.name);
    for name in derived.clone() {
        all.push(format!("GRANT INSERT ON {name} TO {EVERYBODY}"));
        all.push(format!("GRANT DELETE ON {name} TO corecleft_keeper"));
        all.push(format!("GRANT SELECT ON {name} TO corecleft_trainee, corecleft_director, corecleft_keeper"));
    }
    all.push(format!("GRANT SELECT ({OF_ATTEMPT_FOR_STATIONS}) ON attempt TO corecleft_station"));
    all.push("GRANT SELECT ON station TO corecleft_station".to_owned());
    // What kinds of entries each may add; that they are all its own is seen by their bodies.
    all.push("ALTER TABLE chain ENABLE ROW LEVEL SECURITY".to_owned());
    let adding = |role: &str, kinds: &str| format!("FOR INSERT TO {role} WITH CHECK (kind IN ({kinds}))");
    for (policy, says) in [
        ("all_read", format!("FOR SELECT TO {EVERYBODY} USING (true)")),
        ("trainee_adds", adding("corecleft_trainee", "'attempt', 'comment'")),
        ("station_adds", adding("corecleft_station", "'attempt', 'station'")),
        ("director_adds", adding("corecleft_director", "'attempt', 'comment', 'sign-off', 'rescored', 'station'")),
        (
            "keeper_adds",
            adding("corecleft_keeper", "'attempt', 'comment', 'sign-off', 'rescored', 'station', 'erased'"),
        ),
    ] {
        all.push(format!("DROP POLICY IF EXISTS {policy} ON chain"));
        all.push(format!("CREATE POLICY {policy} ON chain {says}"));
    }
    for name in derived.chain(["body"]) {
        // Stations' keys, and what says which bodies were deleted, are nobody's data: all may see them.
        let (of_trainees, of_nobody) = match name {
            "station" => ("false".to_owned(), "true".to_owned()),
            "body" | "about" => (OWN.to_owned(), "trainee IS NULL".to_owned()),
            _ => (OWN.to_owned(), "false".to_owned()),
        };
        all.push(format!("ALTER TABLE {name} ENABLE ROW LEVEL SECURITY"));
        let policies = [
            ("trainee_reads", format!("FOR SELECT TO corecleft_trainee USING ({of_trainees} OR {of_nobody})")),
            (
                "trainee_adds",
                match name {
                    // A trainee may say something, and neither sign off nor judge.
                    "about" => {
                        format!("FOR INSERT TO corecleft_trainee WITH CHECK ({of_trainees} AND kind = 'comment')")
                    }
                    _ => format!("FOR INSERT TO corecleft_trainee WITH CHECK ({of_trainees})"),
                },
            ),
            ("station_adds", "FOR INSERT TO corecleft_station WITH CHECK (true)".to_owned()),
            (
                "station_reads",
                match name {
                    "attempt" | "station" => "FOR SELECT TO corecleft_station USING (true)".to_owned(),
                    _ => format!("FOR SELECT TO corecleft_station USING ({of_nobody})"),
                },
            ),
            ("director_reads", "FOR SELECT TO corecleft_director, corecleft_keeper USING (true)".to_owned()),
            ("director_adds", "FOR INSERT TO corecleft_director, corecleft_keeper WITH CHECK (true)".to_owned()),
            ("keeper_deletes", "FOR DELETE TO corecleft_keeper USING (true)".to_owned()),
        ];
        for (policy, says) in policies {
            all.push(format!("DROP POLICY IF EXISTS {policy} ON {name}"));
            all.push(format!("CREATE POLICY {policy} ON {name} {says}"));
        }
    }
    all
}

/// The statements that admit a login.
///
/// # Errors
/// A name that no login has.
pub fn admission(role: Role, login: &str, trainee: Option<&Pseudonym>) -> Result<Vec<String>, LogbookError> {
    check_login(login)?;
    let mut all = vec![format!("GRANT {} TO {}", role.name(), quoted(login))];
    if let Some(trainee) = trainee {
        all.push(format!("INSERT INTO member (login, trainee) VALUES ('{login}', '{trainee}')"));
    }
    Ok(all)
}

impl Logbook {
    /// Admit a login, and make roles and rights where they are missing: the owner's business.
    ///
    /// # Errors
    /// A store in a file, a login that there is not, or whatever the server refuses; then nothing was done.
    pub fn admit(&mut self, role: Role, login: &str, trainee: Option<&Pseudonym>) -> Result<(), LogbookError> {
        if matches!(self.database, Database::File(_)) {
            return Err(LogbookError::NoRoles);
        }
        let admission = admission(role, login, trainee)?;
        self.database.transaction(|database| {
            let is_there = |database: &mut Database, name: &str| {
                let rows = database.query("SELECT count(*) FROM pg_roles WHERE rolname = $1", &[name.into()])?;
                Ok::<bool, LogbookError>(rows.first().is_some_and(|row| row[0] == Value::Whole(1)))
            };
            if !is_there(database, login)? {
                return Err(LogbookError::NoLogin(login.to_owned()));
            }
            for role in Role::ALL {
                if !is_there(database, role.name())? {
                    database.plain(&format!("CREATE ROLE {} NOLOGIN", role.name()))?;
                }
            }
            for statement in rights().iter().chain(&admission) {
                database.plain(statement)?;
            }
            Ok(())
        })
    }
}
