//! The record on a server: a real PostgreSQL, started for these tests and stopped after them. Where none is installed, a line says which
//! tests were left out.
#![cfg(all(feature = "logbook", unix))]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a helper that fails fails the test that called it")]

mod common;

use common::logbook::{
    add, attempted, author, corecleft, killed, line_of_error, person, small, submission, text, write_small,
};
use corecleft::attempt::Attempt;
use corecleft::case::parse_case;
use corecleft::logbook::database::{Database, Place};
use corecleft::logbook::derived::TABLES;
use corecleft::logbook::entry::Purpose;
use corecleft::logbook::listing::{Listed, Wanted};
use corecleft::logbook::proof::{KeptHead, Sample};
use corecleft::logbook::{Author, Logbook, Opening, Outcome, StationKey};
use postgres::{Client, NoTls};
use std::collections::BTreeSet;
use std::net::TcpListener;
use std::os::unix::fs::chown;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, LazyLock, Mutex, Weak};
use std::time::{Duration, Instant};

/// Nothing is done again.
const NONE: Sample = Sample::Some { count: 0, seed: 0 };

/// A server of its own: its data in a folder that goes with it, on a free port of this machine alone.
struct Server {
    child: Child,
    port: u16,
    bin: PathBuf,
    folder: tempfile::TempDir,
}

/// Whatever runs a server must not be the superuser.
fn as_its_own(program: &Path) -> Command {
    let user =
        |what: &str| text(&Command::new("id").args([what, "postgres"]).output().unwrap().stdout).trim().to_owned();
    let is_root = text(&Command::new("id").arg("-u").output().unwrap().stdout).trim() == "0";
    if !is_root {
        return Command::new(program);
    }
    let mut command = Command::new("setpriv");
    command.args(["--reuid", &user("-u"), "--regid", &user("-g"), "--clear-groups", "--"]).arg(program);
    command
}

/// For whoever runs a server; only the superuser can, and only then it is needed.
fn give(path: &Path) {
    let id = text(&Command::new("id").args(["-u", "postgres"]).output().unwrap().stdout).trim().parse::<u32>();
    if let Ok(id) = id {
        let _ = chown(path, Some(id), None);
    }
}

impl Server {
    /// `None` where none is installed. `prepare` is given the folder of its data before it starts, with `settings`.
    fn started(prepare: impl FnOnce(&Path), settings: &[&str]) -> Option<Self> {
        let bin = std::fs::read_dir("/usr/lib/postgresql").ok()?.flatten().map(|entry| entry.path().join("bin"));
        let bin = bin.filter(|bin| bin.join("postgres").exists() && bin.join("initdb").exists()).max()?;
        let folder = tempfile::tempdir().unwrap();
        give(folder.path());
        let data = folder.path().join("data");
        let made = as_its_own(&bin.join("initdb"))
            .args([
                "--auth",
                "trust",
                "--username",
                "postgres",
                "--encoding",
                "UTF8",
                "--locale",
                "C",
                "--no-sync",
                "-D",
            ])
            .arg(&data)
            .output()
            .unwrap();
        assert!(made.status.success(), "{}", text(&made.stderr));
        prepare(&data);
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let child = as_its_own(&bin.join("postgres"))
            .arg("-D")
            .arg(&data)
            .args(["-p", &port.to_string(), "-c", "listen_addresses=127.0.0.1", "-c", "max_connections=50"])
            .args(["-c", &format!("unix_socket_directories={}", folder.path().display())])
            .args(settings.iter().flat_map(|setting| ["-c", setting]))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let server = Self { child, port, bin, folder };
        let begun = Instant::now();
        while Client::connect(&server.address("postgres", "postgres"), NoTls).is_err() {
            assert!(begun.elapsed() < Duration::from_secs(60), "the server does not answer");
            std::thread::sleep(Duration::from_millis(50));
        }
        Some(server)
    }

    fn address(&self, login: &str, database: &str) -> String {
        format!("postgres://{login}@127.0.0.1:{}/{database}", self.port)
    }

    fn client(&self, login: &str, database: &str) -> Client {
        Client::connect(&self.address(login, database), NoTls).unwrap()
    }

    /// A new database of an owner who may do no more than owners may.
    fn database(&self) -> String {
        static NUMBER: AtomicUsize = AtomicUsize::new(0);
        let name = format!("record_{}", NUMBER.fetch_add(1, Ordering::Relaxed));
        let mut client = self.client("postgres", "postgres");
        // The owner is made once; a database each.
        let _ = client.batch_execute("CREATE ROLE owner LOGIN CREATEROLE");
        client.batch_execute(&format!("CREATE DATABASE {name} OWNER owner")).unwrap();
        name
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let data = self.folder.path().join("data");
        let stop =
            as_its_own(&self.bin.join("pg_ctl")).args(["stop", "-m", "immediate", "-w", "-D"]).arg(data).output();
        if !stop.is_ok_and(|stop| stop.status.success()) {
            let _ = self.child.kill();
        }
        let _ = self.child.wait();
    }
}

/// The server that tests which run at the same time share; the last of them stops it.
static SHARED: LazyLock<Mutex<Weak<Server>>> = LazyLock::new(|| Mutex::new(Weak::new()));

fn server(test: &str) -> Option<Arc<Server>> {
    let mut shared = SHARED.lock().unwrap_or_else(|failed| failed.into_inner());
    if let Some(server) = shared.upgrade() {
        return Some(server);
    }
    let Some(server) = Server::started(|_| (), &[]).map(Arc::new) else {
        println!("Left out: {test}: no PostgreSQL is installed (Debian's package postgresql)");
        return None;
    };
    *shared = Arc::downgrade(&server);
    Some(server)
}

fn made(address: &str) -> Logbook {
    Logbook::open(address, Opening { is_made: true, ..Opening::default() }).unwrap()
}

fn faults(address: &str, sample: Sample) -> Vec<String> {
    match Logbook::open(address, Opening::default()).and_then(|mut book| book.verify(sample, None, |_| ())) {
        Err(error) => vec![error.to_string()],
        Ok(report) => report.faults.iter().map(|fault| format!("{:?} {}", fault.seq, fault.what)).collect(),
    }
}

static GOOD: LazyLock<Attempt> = LazyLock::new(|| attempted("medium-uniform", "good", 1));

/// Every kind of entry; 9 in all.
fn filled(address: &str) {
    let mut book = made(address);
    let key = StationKey::of_secret(&[7; 32]);
    let signing = Author { station: "north", key: Some(&key) };
    add(&mut book, &signing, &person(1), &[submission(&small(1, true)), submission(&small(2, false))]);
    add(&mut book, &author(), &person(1), &[submission(&GOOD)]);
    add(&mut book, &author(), &person(3), &[submission(&small(3, true))]);
    book.comment(&signing, &person(2), 4, "Deep enough: 0.5 · ½ \0.").unwrap();
    book.sign_off(&author(), &person(2), 4).unwrap();
    let stricter = GOOD.header.case_text.replace("capsule_floor_mm: 0.6", "capsule_floor_mm: 2.9");
    book.rescore(&author(), &person(2), 4, &parse_case("", &stricter).unwrap()).unwrap();
    let erased = book.erase(&author(), &person(2), &person(3)).unwrap();
    assert_eq!((erased.seqs, erased.is_scrubbed), (vec![5], false));
}

#[test]
fn a_store_on_a_server_is_as_one_in_a_file() {
    let Some(server) = server("a_store_on_a_server_is_as_one_in_a_file") else { return };
    let address = server.address("owner", &server.database());
    filled(&address);
    let mut book = Logbook::open(&address, Opening::default()).unwrap();
    let report = book.verify(Sample::All, None, |_| ()).unwrap();
    assert_eq!((report.entries, report.attempts, report.valid, report.erased.len()), (9, 4, 2, 1), "{report:?}");
    assert_eq!((report.faults.len(), report.hidden), (2, 0), "the small ones follow from nothing");
    let listed = book.list(&Wanted { trainee: Some(person(1).to_string()), ..Wanted::default() }).unwrap();
    assert_eq!(listed.iter().map(|entry| entry.seq).collect::<Vec<_>>(), [2, 3, 4, 6, 7, 8]);
    assert_eq!((listed[2].score, listed[2].first_unseen), (Some(100.0), Some(true)));
    assert_eq!(book.file(4).unwrap().unwrap(), GOOD.to_bytes());
    // The same, in a file.
    let store = common::logbook::Store::new();
    filled_file(&store);
    let as_file = store.open().list(&Wanted::default()).unwrap();
    let as_server = book.list(&Wanted::default()).unwrap();
    // Hashes, and when it was, differ.
    let same = |list: &[Listed]| {
        let blank = |entry: &Listed| Listed { hash: String::new(), added_at: String::new(), ..entry.clone() };
        list.iter().map(blank).collect::<Vec<_>>()
    };
    assert_eq!(same(&as_file)[..4], same(&as_server)[..4]);
}

fn filled_file(store: &common::logbook::Store) {
    let mut book = store.made();
    let key = StationKey::of_secret(&[7; 32]);
    let signing = Author { station: "north", key: Some(&key) };
    add(&mut book, &signing, &person(1), &[submission(&small(1, true)), submission(&small(2, false))]);
    add(&mut book, &author(), &person(1), &[submission(&GOOD)]);
}

#[test]
fn whatever_is_altered_on_a_server_is_found() {
    let Some(server) = server("whatever_is_altered_on_a_server_is_found") else { return };
    let database = server.database();
    let address = server.address("owner", &database);
    filled(&address);
    let kept = KeptHead::of(Logbook::open(&address, Opening::default()).unwrap().head().unwrap(), 0, None);
    assert_eq!(faults(&address, NONE), [""; 0]);
    let mut raw = server.client("owner", &database);
    raw.batch_execute(
        "ALTER TABLE body DROP CONSTRAINT body_seq_fkey; ALTER TABLE chain DROP CONSTRAINT chain_check; \
                       ALTER TABLE chain DROP CONSTRAINT chain_follows_fkey",
    )
    .unwrap();
    let mut count = 0;
    for table in TABLES.iter().map(|table| table.name).chain(["chain", "body"]) {
        let sql = "SELECT column_name::text, data_type::text FROM information_schema.columns WHERE table_name = $1";
        for column in raw.query(sql, &[&table]).unwrap() {
            let (name, kind): (String, String) = (column.get(0), column.get(1));
            let other = match kind.as_str() {
                "bigint" => format!("coalesce({name}, 0) + 100"),
                "double precision" => format!("coalesce({name}, 0) + 1e-9"),
                "text" => format!("coalesce({name}, '') || 'x'"),
                "bytea" => format!("{name} || '\\x00'"),
                kind => panic!("{kind}"),
            };
            raw.batch_execute(&format!("CREATE TABLE copy AS SELECT * FROM {table}")).unwrap();
            let last = format!("ctid = (SELECT max(ctid) FROM {table})");
            let changed = raw.execute(&format!("UPDATE {table} SET {name} = {other} WHERE {last}"), &[]).unwrap();
            if changed > 0 {
                count += 1;
                assert!(!faults(&address, NONE).is_empty(), "{table}.{name}");
            }
            raw.batch_execute(&format!("DELETE FROM {table}; INSERT INTO {table} SELECT * FROM copy; DROP TABLE copy"))
                .unwrap();
            assert_eq!(faults(&address, NONE), [""; 0], "{table} as it was");
        }
    }
    assert!(count > 45, "{count}");
    for table in TABLES.iter().map(|table| table.name).chain(["body"]) {
        raw.batch_execute(&format!("DELETE FROM {table} WHERE seq = 9 OR seq = 2 OR seq = 4 OR seq = 1")).unwrap();
    }
    assert!(faults(&address, NONE).len() >= 4);
    raw.batch_execute("DELETE FROM chain WHERE seq = 9").unwrap();
    let mut book = Logbook::open(&address, Opening::default()).unwrap();
    let report = book.verify(NONE, Some(&kept), |_| ()).unwrap();
    assert!(report.faults.iter().any(|fault| fault.what.starts_with("the end is missing: entry 9")), "{report:?}");
}

#[test]
fn eight_writers_at_once_lose_nothing_on_a_server() {
    const EACH: u64 = 60;
    let Some(server) = server("eight_writers_at_once_lose_nothing_on_a_server") else { return };
    // The store is not there yet: they make it, too, at once.
    let address = server.address("owner", &server.database());
    let folders: Vec<_> = (0..8).map(|_| tempfile::tempdir().unwrap()).collect();
    let start = |(writer, folder): (usize, &tempfile::TempDir)| {
        write_small(folder.path(), 1000 * writer as u64..=1000 * writer as u64 + EACH - 1);
        Command::new(env!("CARGO_BIN_EXE_corecleft"))
            .args([
                "logbook",
                "add",
                "--at-once",
                "7",
                "--store",
                &address,
                "--trainee",
                person(writer as u64).as_str(),
            ])
            .arg(folder.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    };
    let writers: Vec<_> = folders.iter().enumerate().map(start).collect();
    for writer in writers {
        let output = writer.wait_with_output().unwrap();
        assert_eq!((output.status.code(), text(&output.stderr)), (Some(0), ""));
        assert!(text(&output.stdout).contains(&format!("{EACH} taken, 0 known already, 0 refused")));
    }
    let mut book = Logbook::open(&address, Opening::default()).unwrap();
    let report = book.verify(NONE, None, |_| ()).unwrap();
    assert_eq!((report.entries, report.faults), (8 * EACH, Vec::new()));
}

#[test]
fn killed_at_any_moment_a_server_keeps_what_was_committed_and_nothing_half() {
    let Some(server) = server("killed_at_any_moment_a_server_keeps_what_was_committed_and_nothing_half") else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    write_small(folder.path(), 0..=399);
    let killed = killed(200, Duration::from_millis(250), (folder.path(), 400), |_| {
        let address = server.address("owner", &server.database());
        (address.clone(), made(&address))
    });
    println!("{killed:?}");
    assert!(killed.told > 90 && killed.broken_off > 90, "{killed:?}");
}

#[test]
fn each_login_may_do_what_its_role_says_and_no_more() {
    let Some(server) = server("each_login_may_do_what_its_role_says_and_no_more") else { return };
    let database = server.database();
    let owner = server.address("owner", &database);
    drop(made(&owner));
    let logins = ["ada", "bo", "station_north", "director", "keeper", "nobody"];
    let mut superuser = server.client("postgres", &database);
    for login in logins {
        superuser.batch_execute(&format!("CREATE ROLE {login} LOGIN")).unwrap();
    }
    let (ada, bo, supervisor) = (person(11), person(12), person(13));
    let admit = |arguments: &[&str]| corecleft(&[&["logbook", "admit", "--store", &owner], arguments].concat());
    for arguments in [
        vec!["--role", "trainee", "--login", "ada", "--trainee", ada.as_str()],
        vec!["--role", "trainee", "--login", "bo", "--trainee", bo.as_str()],
        vec!["--role", "station", "--login", "station_north"],
        vec!["--role", "director", "--login", "director"],
        vec!["--role", "keeper", "--login", "keeper"],
    ] {
        admitted(&[&arguments[..], &["--store", &owner]].concat());
    }
    assert!(
        line_of_error(&admit(&["--role", "director", "--login", "stranger"]))
            .contains("the server knows no login `stranger`")
    );
    assert!(
        line_of_error(&admit(&["--role", "director", "--login", "x\"; DROP TABLE chain"]))
            .contains("is no login's name")
    );
    let as_ = |login: &str| Logbook::open(&server.address(login, &database), Opening::default());
    let refused = |what: Result<Vec<Outcome>, corecleft::logbook::LogbookError>| {
        let why = what.unwrap_err().to_string();
        assert!(why.starts_with("the server refuses: "), "{why}");
    };
    let sent = |number: u64| [submission(&small(number, true))];
    let hand_in = |login: &str, whose: &corecleft::logbook::Pseudonym, number: u64| {
        as_(login).unwrap().submit(&author(), whose, Purpose::Assessment, &sent(number))
    };

    // A trainee adds own attempts, and no other's.
    assert_eq!(hand_in("ada", &ada, 1).unwrap(), [Outcome::Taken(1)]);
    assert_eq!(hand_in("bo", &bo, 2).unwrap(), [Outcome::Taken(2)]);
    refused(hand_in("ada", &bo, 3));
    // What is there already as another's is known, and no more is said.
    assert_eq!(hand_in("bo", &bo, 1).unwrap(), [Outcome::Known(None)]);
    assert_eq!(hand_in("ada", &ada, 1).unwrap(), [Outcome::Known(Some(1))]);
    // A station adds anybody's, signs, and knows the first on an eye from a later one.
    let key = StationKey::new().unwrap();
    let north = Author { station: "north", key: Some(&key) };
    assert_eq!(
        as_("station_north").unwrap().submit(&north, &ada, Purpose::Assessment, &sent(4)).unwrap(),
        [Outcome::Taken(4)]
    );
    // Who was not admitted does not even open it.
    assert!(as_("nobody").err().unwrap().to_string().starts_with("the server refuses: "));
    let mut director = as_("director").unwrap();
    let comment = director.comment(&author(), &supervisor, 1, "Words for Ada.").unwrap();
    director.comment(&author(), &supervisor, 2, "Words for Bo.").unwrap();
    director.sign_off(&author(), &supervisor, 1).unwrap();

    // A trainee sees own entries, and of the others the chain alone.
    let mut book = as_("ada").unwrap();
    let seen: Vec<u64> = book.list(&Wanted::default()).unwrap().iter().filter(|l| l.has_body).map(|l| l.seq).collect();
    assert_eq!(seen, [1, 3, 4, comment, comment + 2], "own attempts and what was said of them; the station's key");
    assert_eq!(book.file(2).unwrap(), None);
    let report = book.verify(NONE, None, |_| ()).unwrap();
    assert_eq!((report.faults.len(), report.hidden, report.entries), (0, 2, 7), "{:?}", report.faults);
    assert!(book.comment(&author(), &ada, 1, "Mine.").is_ok());
    assert!(book.comment(&author(), &ada, 2, "Not mine.").is_err());
    assert!(book.sign_off(&author(), &ada, 1).unwrap_err().to_string().starts_with("the server refuses: "));
    assert!(book.erase(&author(), &ada, &ada).unwrap_err().to_string().starts_with("the server refuses: "));
    // A director sees everything and deletes nothing.
    let report = director.verify(NONE, None, |_| ()).unwrap();
    assert_eq!((report.faults.len(), report.hidden), (0, 0), "{:?}", report.faults);
    assert!(director.list(&Wanted::default()).unwrap().iter().all(|entry| entry.has_body));
    assert!(director.erase(&author(), &supervisor, &bo).unwrap_err().to_string().starts_with("the server refuses: "));
    // A station reads no results.
    assert!(as_("station_north").unwrap().list(&Wanted::default()).is_err());

    // The same by hand: whatever program is used, nobody changes anything, nobody deletes from the chain.
    let denied = |login: &str, sql: &str| {
        let error = server.client(login, &database).batch_execute(sql).unwrap_err();
        let code = error.as_db_error().map(|error| error.code().code().to_owned());
        assert_eq!(code.as_deref(), Some("42501"), "{login}: {sql}: {error}");
    };
    let everything: Vec<&str> =
        TABLES.iter().map(|table| table.name).chain(["chain", "body", "version", "member"]).collect();
    for login in logins {
        for table in &everything {
            let column = match *table {
                "version" => "number",
                "member" => "trainee",
                _ => "seq",
            };
            denied(login, &format!("UPDATE {table} SET {column} = {column}"));
            denied(login, &format!("TRUNCATE {table} CASCADE"));
            if login != "keeper" || ["chain", "version", "member"].contains(table) {
                denied(login, &format!("DELETE FROM {table}"));
            }
        }
        denied(login, "INSERT INTO member (login, trainee) VALUES ('x', 'y')");
        denied(login, "CREATE TABLE mine (x BIGINT)");
    }
    for sql in ["SELECT score FROM attempt", "SELECT value FROM component", "SELECT event FROM critical"] {
        denied("station_north", sql);
    }
    let link = "INSERT INTO chain VALUES (9, 8, 'erased', '', '', '', 'x', 0, NULL)";
    for login in ["ada", "station_north", "director"] {
        denied(login, link);
    }
    let count = |login: &str, sql: &str| -> i64 { server.client(login, &database).query_one(sql, &[]).unwrap().get(0) };
    for table in ["body", "attempt", "component", "critical", "prediction", "about"] {
        let others = format!("SELECT count(*) FROM {table} WHERE trainee <> '{ada}'");
        assert_eq!(count("ada", &others), 0, "{table}");
        assert!(count("director", &others) > 0 || table == "prediction", "{table}");
    }
    assert_eq!(count("ada", "SELECT count(*) FROM member"), 1);
    // Not even a gap can be left in the chain.
    for sql in [
        "INSERT INTO chain VALUES (9223372036854775807, NULL, 'attempt', '', '', '', 'x', 0, NULL)",
        "INSERT INTO chain VALUES (100, 99, 'attempt', '', '', '', 'x', 0, NULL)",
        "INSERT INTO chain VALUES (100, 1, 'attempt', '', '', '', 'x', 0, NULL)",
    ] {
        assert!(server.client("ada", &database).batch_execute(sql).is_err(), "{sql}");
    }

    // The keeper deletes a person's data; the chain stays checkable, and says so to everybody.
    let mut keeper = as_("keeper").unwrap();
    let erased = keeper.erase(&author(), &supervisor, &ada).unwrap();
    assert_eq!(erased.seqs, [1, 4, comment, comment + 2, comment + 3]);
    let report = keeper.verify(NONE, None, |_| ()).unwrap();
    assert_eq!((report.faults.len(), report.erased.len(), report.hidden), (0, 5, 0), "{:?}", report.faults);
    let report = as_("bo").unwrap().verify(NONE, None, |_| ()).unwrap();
    assert_eq!((report.faults.len(), report.erased.len(), report.hidden), (0, 5, 0), "{:?}", report.faults);
    assert_eq!(count("postgres", &format!("SELECT count(*) FROM body WHERE trainee = '{ada}'")), 0);

    // A station changes its own key, and a trainee nobody's.
    let next = StationKey::new().unwrap();
    let why = as_("bo").unwrap().change_key(&north, &next).unwrap_err().to_string();
    assert!(why.starts_with("the server refuses: "), "{why}");
    as_("station_north").unwrap().change_key(&north, &next).unwrap();
    let report = as_("bo").unwrap().verify(NONE, None, |_| ()).unwrap();
    assert_eq!((report.faults.len(), report.stations.len()), (0, 2), "{:?}", report.faults);
}

#[test]
fn a_server_that_is_not_there_or_refuses_is_told() {
    let Some(server) = server("a_server_that_is_not_there_or_refuses_is_told") else { return };
    let list = |address: &str| line_of_error(&corecleft(&["logbook", "list", "--store", address]));
    let database = server.database();
    let why = list(&server.address("owner", &database));
    // With its port, by which it is found.
    let store = server.address("owner", &database);
    assert_eq!(why, format!("{store}: there is no logbook here yet; allowed: a store that `logbook add` made"));
    let why = list(&server.address("owner", "nowhere"));
    assert!(why.contains("no server answers: database \"nowhere\" does not exist"), "{why}");
    let why = list(&server.address("stranger", &database));
    assert!(why.contains("the server refuses: role \"stranger\" does not exist"), "{why}");
    assert!(!why.contains('\n'));
    // The server goes away in the middle.
    let mut book = made(&server.address("owner", &database));
    server
        .client("postgres", &database)
        .batch_execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'owner' AND datname = current_database()")
        .unwrap();
    std::thread::sleep(Duration::from_millis(200));
    let why = book.head().unwrap_err().to_string();
    assert!(why.starts_with("the connection to the server was lost: "), "{why}");
    // A newer store.
    let mut raw = server.client("owner", &database);
    raw.batch_execute("INSERT INTO version (number) VALUES (9)").unwrap();
    assert!(list(&server.address("owner", &database)).contains("is a store of version 9"));
    raw.batch_execute("DELETE FROM version WHERE number = 9").unwrap();
    // Another holds a row for longer than one waits.
    raw.batch_execute("BEGIN; LOCK TABLE chain IN ACCESS EXCLUSIVE MODE").unwrap();
    let address = server.address("owner", &database);
    let why = line_of_error(&corecleft(&["logbook", "list", "--store", &address, "--wait", "1"]));
    assert!(why.contains("is held by another program"), "{why}");
}

/// Run with nobody to believe but who is in this file.
fn believing(authority: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_corecleft"));
    command.args(arguments).env("SSL_CERT_FILE", authority).env_remove("SSL_CERT_DIR");
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// Certificates and keys, as `.crt` and `.key`: an authority of this name; for a server that is called localhost, one that it signed
/// (`localhost`) and one that signs itself (`alone`).
fn authority(folder: &Path, name: &str) {
    let openssl = |arguments: &str| {
        let output = Command::new("openssl").current_dir(folder).args(arguments.split(' ')).output().unwrap();
        assert!(output.status.success(), "openssl {arguments}: {}", text(&output.stderr));
    };
    let asked = "[req]\ndistinguished_name = name\nprompt = no\n[name]\nCN = invented\n";
    let parts = "[of_authority]\nbasicConstraints = critical, CA:TRUE\n[of_server]\nsubjectAltName = DNS:localhost\n";
    std::fs::write(folder.join("asked"), [asked, parts].concat()).unwrap();
    let new = "-config asked -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes";
    openssl(&format!(
        "req -x509 -days 2 {new} -subj /CN={name} -extensions of_authority -keyout {name}.key -out {name}.crt"
    ));
    openssl(&format!("req -x509 -days 2 {new} -extensions of_server -keyout alone.key -out alone.crt"));
    openssl(&format!("req {new} -subj /CN=localhost -keyout localhost.key -out localhost.asked"));
    openssl(&format!(
        "x509 -req -days 2 -in localhost.asked -CA {name}.crt -CAkey {name}.key -set_serial 7 -extfile asked \
         -extensions of_server -out localhost.crt"
    ));
}

/// What a server's settings call its certificate and its key.
fn show(data: &Path, folder: &Path, name: &str) {
    for what in ["crt", "key"] {
        let path = data.join(format!("server.{what}"));
        std::fs::copy(folder.join(format!("{name}.{what}")), &path).unwrap();
        std::fs::set_permissions(&path, std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
        give(&path);
    }
}

#[test]
fn the_way_to_a_server_is_encrypted_and_its_certificate_checked() {
    let test = "the_way_to_a_server_is_encrypted_and_its_certificate_checked";
    if Command::new("openssl").arg("version").output().is_err() {
        println!("Left out: {test}: no openssl is installed (Debian's package openssl)");
        return;
    }
    let (folder, elsewhere) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    authority(folder.path(), "authority");
    authority(elsewhere.path(), "other");
    authority(elsewhere.path(), "authority");
    let own = folder.path().join("authority.crt");
    let [other, of_that_name] = ["other.crt", "authority.crt"].map(|name| elsewhere.path().join(name));
    let nobody = folder.path().join("nobody.crt");
    let prepare = |data: &Path| {
        show(data, folder.path(), "localhost");
        let rules = data.join("pg_hba.conf");
        let all = std::fs::read_to_string(&rules).unwrap();
        let scram = "hostssl all guarded all scram-sha-256\nhost all guarded all reject\n";
        std::fs::write(&rules, scram.to_owned() + &all).unwrap();
    };
    let Some(server) = Server::started(prepare, &["ssl=on"]) else {
        println!("Left out: {test}: no PostgreSQL is installed (Debian's package postgresql)");
        return;
    };
    let database = server.database();
    let at =
        |login: &str, host: &str, more: &str| format!("postgres://{login}@{host}:{}/{database}{more}", server.port);
    let list = |believed: &Path, address: &str| {
        let output = believing(believed, &["logbook", "list", "--store", address]).output().unwrap();
        if output.status.success() { String::new() } else { line_of_error(&output) }
    };
    // In the clear on this machine, as ever, whatever certificates there are.
    drop(made(&server.address("owner", &database)));
    assert_eq!(list(&nobody, &server.address("owner", &database)), "");

    // Encrypted where it is asked for: the server says so while a command is held up there.
    let is_encrypted = |address: &str| {
        let mut raw = server.client("owner", &database);
        raw.batch_execute("BEGIN; LOCK TABLE chain IN ACCESS EXCLUSIVE MODE").unwrap();
        let held = believing(&own, &["logbook", "list", "--store", address]).spawn().unwrap();
        let mut superuser = server.client("postgres", &database);
        let sql = "SELECT ssl FROM pg_stat_ssl JOIN pg_stat_activity USING (pid) \
                   WHERE application_name = 'corecleft' AND wait_event_type = 'Lock'";
        let begun = Instant::now();
        let is_encrypted: bool = loop {
            if let Some(row) = superuser.query_opt(sql, &[]).unwrap() {
                break row.get(0);
            }
            assert!(begun.elapsed() < Duration::from_secs(30), "{address}: it does not come");
            std::thread::sleep(Duration::from_millis(20));
        };
        raw.batch_execute("COMMIT").unwrap();
        let output = held.wait_with_output().unwrap();
        assert_eq!((output.status.code(), text(&output.stderr)), (Some(0), ""), "{address}");
        is_encrypted
    };
    assert!(is_encrypted(&at("owner", "localhost", "?sslmode=require")));
    assert!(is_encrypted(&at("owner", "localhost", "?sslmode=prefer")));
    assert!(!is_encrypted(&at("owner", "localhost", "")));
    assert!(!is_encrypted(&at("owner", "0.0.0.0", "?sslmode=disable")));

    // A password that is bound to the certificate.
    server
        .client("postgres", &database)
        .batch_execute("SET password_encryption = 'scram-sha-256'; CREATE ROLE guarded LOGIN PASSWORD 'a-word'; GRANT owner TO guarded")
        .unwrap();
    let bound = "?sslmode=require&channel_binding=require";
    assert_eq!(list(&own, &at("guarded:a-word", "localhost", bound)), "");
    let why = list(&own, &at("guarded:no-word", "localhost", bound));
    assert!(why.contains("the server refuses: ") && !why.contains("no-word"), "{why}");
    assert!(list(&own, &at("guarded:a-word", "localhost", "")).contains("the server refuses: "));

    // Whom nobody knows, and who is somebody else.
    let required = at("owner", "localhost", "?sslmode=require");
    let unknown = "the server's certificate is signed by nobody who is known here; allowed: ";
    for believed in [&other, &of_that_name] {
        let why = list(believed, &required);
        assert!(why.contains(unknown) && why.contains("SSL_CERT_FILE"), "{why}");
    }
    assert!(list(&other, &at("owner", "localhost", "?sslmode=prefer")).contains(unknown));
    for mode in ["?sslmode=require", "?sslmode=prefer"] {
        let why = list(&nobody, &at("owner", "localhost", mode));
        assert!(why.contains("no authority is known here") && why.contains("nobody.crt"), "{why}");
    }
    for host in ["127.0.0.1", "0.0.0.0"] {
        let why = list(&own, &at("owner", host, "?sslmode=require"));
        assert!(why.contains("the server's certificate is for another name than the address's; allowed: "), "{why}");
    }
    // Elsewhere, as far as can be told, nothing need be said.
    assert!(list(&own, &at("owner", "0.0.0.0", "")).contains("is for another name"));

    // Certificates that sign themselves: as an authority's, as many are made, and as a server's.
    let shown = |name: &str, expected: &str| {
        show(&server.folder.path().join("data"), folder.path(), name);
        server.client("postgres", &database).batch_execute("SELECT pg_reload_conf()").unwrap();
        let (believed, begun) = (folder.path().join(format!("{name}.crt")), Instant::now());
        loop {
            let why = list(&believed, &required);
            if why.contains(expected) && why.is_empty() == expected.is_empty() {
                return;
            }
            assert!(begun.elapsed() < Duration::from_secs(10), "{name}: {why}");
        }
    };
    shown("authority", "the server's certificate is an authority's, ");
    shown("alone", "");
}

#[test]
fn a_server_that_does_not_encrypt_is_refused_where_it_must() {
    let Some(server) = server("a_server_that_does_not_encrypt_is_refused_where_it_must") else { return };
    let database = server.database();
    drop(made(&server.address("owner", &database)));
    // Whoever knows no authority can do without where nothing is encrypted.
    let nobody = server.folder.path().join("nobody.crt");
    let list = |host: &str, more: &str| {
        let address = format!("postgres://owner@{host}:{}/{database}{more}", server.port);
        believing(&nobody, &["logbook", "list", "--store", &address]).output().unwrap()
    };
    for (host, more) in [("127.0.0.1", "?sslmode=require"), ("0.0.0.0", ""), ("0.0.0.0", "?sslmode=require")] {
        let why = line_of_error(&list(host, more));
        assert!(why.contains("the server offers no encryption; allowed: "), "{host}{more}: {why}");
        assert!(why.contains("?sslmode=disable"), "{why}");
    }
    for (host, more) in [("127.0.0.1", ""), ("127.0.0.1", "?sslmode=prefer"), ("0.0.0.0", "?sslmode=prefer")] {
        let output = list(host, more);
        assert_eq!((output.status.code(), text(&output.stderr)), (Some(0), ""), "{host}{more}");
    }
    assert_eq!(list("0.0.0.0", "?sslmode=disable").status.code(), Some(0));
    // The server's own socket needs none of this.
    let address =
        format!("postgresql:///{database}?host={}&port={}&user=owner", server.folder.path().display(), server.port);
    let output = believing(&nobody, &["logbook", "list", "--store", &address]).output().unwrap();
    assert_eq!((output.status.code(), text(&output.stderr)), (Some(0), ""));
}

/// The rows of a store, as they are, into an empty database.
fn copied(store: &str, address: &str) {
    drop(made(address));
    let open = |name: &str| Database::open(&Place::named(name).unwrap(), false, Duration::from_secs(9)).unwrap();
    let (mut from, mut to) = (open(store), open(address));
    let chain = ["seq", "follows", "kind", "body_hash", "prev", "hash", "station", "added_at", "signature"];
    let record = [("chain", &chain[..]), ("body", &["seq", "salt", "trainee", "content"])];
    for (table, columns) in record.into_iter().chain(TABLES.iter().map(|table| (table.name, table.columns))) {
        let sql = format!("SELECT {} FROM {table} ORDER BY {}, {}", columns.join(", "), columns[0], columns[1]);
        to.insert(table, columns, &from.query(&sql, &[]).unwrap()).unwrap();
    }
}

fn done(arguments: &[&str]) -> String {
    let output = corecleft(&[&["logbook"], arguments].concat());
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", text(&output.stderr));
    text(&output.stdout).to_owned()
}

/// What a command writes into a new file.
fn written(folder: &Path, arguments: &[&str]) -> Vec<u8> {
    let out = folder.join("out");
    done(&[arguments, &["--out", out.to_str().unwrap()]].concat());
    let bytes = std::fs::read(&out).unwrap();
    for entry in std::fs::read_dir(folder).unwrap() {
        std::fs::remove_file(entry.unwrap().path()).unwrap();
    }
    bytes
}

/// The pseudonyms of a store's attempts.
fn trainees(store: &str) -> Vec<String> {
    let book = Logbook::open(store, Opening::default()).unwrap().list(&Wanted::default()).unwrap();
    let all: BTreeSet<String> = book.into_iter().filter_map(|entry| entry.trainee).collect();
    all.into_iter().collect()
}

/// A store in a file of five people who were made up.
static COHORT: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let store = common::logbook::Store::new();
    let page = done(&["demo", "--trainees", "5", "--months", "2", "--seed", "5", "--store", &store.address()]);
    assert!(page.starts_with("5 trainees, 2 months, all of it invented: "), "{page}");
    std::fs::read(store.path()).unwrap()
});

#[test]
fn an_invented_cohort_on_a_server_is_the_one_in_a_file() {
    let Some(server) = server("an_invented_cohort_on_a_server_is_the_one_in_a_file") else { return };
    let file = common::logbook::Store::new();
    let address = server.address("owner", &server.database());
    let told = [&file.address(), &address].map(|store| {
        let page = done(&["demo", "--trainees", "2", "--months", "1", "--seed", "3", "--store", store]);
        // How long it took is another matter.
        let shown = page.replace(store, "the store");
        let (before, after) = shown.split_once("; in ").unwrap();
        (before.to_owned(), after.split_once('\n').unwrap().1.to_owned())
    });
    assert_eq!(told[0], told[1]);
    // The same entries, but for what was drawn or looked up while they were added.
    let listed = |store: &str| {
        let listed = Logbook::open(store, Opening::default()).unwrap().list(&Wanted::default()).unwrap();
        let lasting = |entry: Listed| Listed { hash: String::new(), added_at: String::new(), ..entry };
        listed.into_iter().map(lasting).collect::<Vec<_>>()
    };
    let count = listed(&address).iter().filter(|entry| entry.kind == "attempt").count();
    assert!(count > 3, "{count}");
    let said = format!("2 trainees, 1 month, all of it invented: the store\n{count} attempts, ");
    assert!(told[0].0.starts_with(&said), "{told:?}");
    assert_eq!(listed(&file.address()), listed(&address));
    let report = Logbook::open(&address, Opening::default()).unwrap().verify(NONE, None, |_| ()).unwrap();
    assert_eq!((report.faults, report.attempts), (Vec::new(), count));
}

/// The very same rows: every command says the same, byte by byte, but for the store's name.
#[test]
fn what_is_shown_of_a_server_is_what_is_shown_of_a_file() {
    let Some(server) = server("what_is_shown_of_a_server_is_what_is_shown_of_a_file") else { return };
    let store = common::logbook::Store::new();
    std::fs::write(store.path(), &*COHORT).unwrap();
    let file = store.address();
    let address = server.address("owner", &server.database());
    let out = tempfile::tempdir().unwrap();
    copied(&file, &address);
    let trainees = trainees(&file);
    assert_eq!(trainees.len(), 5);
    let both = ["--purpose", "both"];
    let mut commands: Vec<Vec<&str>> = vec![vec!["list"], vec!["list", "--json"], vec!["list", "--last", "9"]];
    commands.push(vec!["list", "--kind", "attempt", "--trainee", &trainees[1]]);
    for component in ["pass", "score", "breach", "prediction-error", "division", "purchase"] {
        for form in [&["--json"][..], &[]] {
            commands.push([&["curve", "--component", component], &both[..], form].concat());
            commands.push([&["curve", "--component", component, "--trainee", &trainees[2]], &both[..], form].concat());
        }
    }
    for command in &commands {
        let [here, there] = [&file, &address].map(|store| done(&[command, &["--store", store][..]].concat()));
        assert!(here.lines().count() > 0 && here == there, "{command:?}:\n{here}\n{there}");
    }
    let mut writing: Vec<Vec<&str>> = vec![[&["report"], &both[..]].concat()];
    writing.push([&["report", "--trainee", &trainees[0]], &both[..]].concat());
    writing.extend(["csv", "parquet", "xapi"].map(|format| vec!["export", "--format", format]));
    for command in &writing {
        let [here, there] =
            [&file, &address].map(|store| written(out.path(), &[command, &["--store", store][..]].concat()));
        assert!(here.len() > 4000 && here == there, "{command:?}");
    }
    let [here, there] =
        [&file, &address].map(|store| done(&["verify", "--sample", "3", "--seed", "1", "--store", store]));
    assert_eq!(here, there);
}

#[test]
fn what_a_trainee_takes_out_of_a_server_is_the_trainee_s_own() {
    let Some(server) = server("what_a_trainee_takes_out_of_a_server_is_the_trainee_s_own") else { return };
    let database = server.database();
    let owner = server.address("owner", &database);
    let store = common::logbook::Store::new();
    std::fs::write(store.path(), &*COHORT).unwrap();
    copied(&store.address(), &owner);
    let trainees = trainees(&owner);
    let (own, other) = (trainees[1].as_str(), trainees[2].as_str());
    server.client("postgres", &database).batch_execute("CREATE ROLE cleo LOGIN").unwrap();
    admitted(&["--role", "trainee", "--login", "cleo", "--trainee", own, "--store", &owner]);
    let cleo = server.address("cleo", &database);
    let out = tempfile::tempdir().unwrap();
    let export = |store: &str, format: &str| {
        let bytes = written(out.path(), &["export", "--format", format, "--store", store]);
        String::from_utf8(bytes).unwrap()
    };
    let rows = |text: &str| -> (csv::StringRecord, Vec<csv::StringRecord>) {
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        (reader.headers().unwrap().clone(), reader.records().map(Result::unwrap).collect())
    };
    let ((heading, all), (of_cleo, seen)) = (rows(&export(&owner, "csv")), rows(&export(&cleo, "csv")));
    assert_eq!(heading, of_cleo);
    let column = heading.iter().position(|name| name == "trainee").unwrap();
    let owned: Vec<_> = all.iter().filter(|row| &row[column] == own).cloned().collect();
    assert!(!owned.is_empty() && owned.len() < all.len());
    assert_eq!(seen, owned);
    let (all, seen) = (export(&owner, "xapi"), export(&cleo, "xapi"));
    let whose = |line: &str| {
        let statement: serde_json::Value = serde_json::from_str(line).unwrap();
        statement["actor"]["account"]["name"].as_str().unwrap().to_owned()
    };
    let owned: Vec<&str> = all.lines().filter(|line| whose(line) == own).collect();
    assert!(!owned.is_empty() && owned.len() < all.lines().count());
    assert_eq!(seen.lines().collect::<Vec<_>>(), owned);
    assert!(seen.lines().all(|line| !line.contains(other)));

    // What is read of the own entries is what others read of them; of another's there is nothing to read.
    let curve = ["curve", "--component", "score", "--purpose", "both", "--json"];
    let of_own = |store: &str| done(&[&curve[..], &["--trainee", own, "--store", store]].concat());
    assert_eq!(of_own(&cleo), of_own(&owner));
    let why = line_of_error(&corecleft(&[&["logbook"], &curve[..], &["--trainee", other, "--store", &cleo]].concat()));
    assert!(why.contains("holds no attempt of trainee"), "{why}");
    let report = ["report", "--purpose", "both", "--trainee", own, "--store"];
    assert_eq!(
        written(out.path(), &[&report[..], &[&cleo]].concat()),
        written(out.path(), &[&report[..], &[&owner]].concat())
    );
    let cohort = written(out.path(), &["report", "--purpose", "both", "--store", &cleo]);
    let cohort = String::from_utf8(cohort).unwrap();
    assert!(cohort.contains(own) && !cohort.contains(other));
    let listed: serde_json::Value = serde_json::from_str(&done(&["list", "--json", "--store", &cleo])).unwrap();
    let seen = listed["entries"].as_array().unwrap().iter().filter(|entry| entry["has_body"] == true);
    assert!(seen.clone().count() > 0 && seen.clone().all(|entry| entry["trainee"] == own));
}

/// Admit a login. The roles are the whole server's, and two who make them at once would be in each other's way.
fn admitted(arguments: &[&str]) {
    static ALONE: Mutex<()> = Mutex::new(());
    let _alone = ALONE.lock().unwrap_or_else(|failed| failed.into_inner());
    done(&[&["admit"], arguments].concat());
}
