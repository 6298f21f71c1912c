//! The program's record of attempts. An empty shell for now: the only room that will know a database.
