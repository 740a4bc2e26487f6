//! Opening: whose file it is, which schema, whole or damaged; backups.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use motelight_frame::{Fault, FrameError};
use rusqlite::{Connection, ErrorCode, OpenFlags, Transaction, TransactionBehavior};

use super::when::now;

/// One SQL text per released schema; `user_version` counts how many a file has. Only ever appended to.
pub(super) const MIGRATIONS: [&str; 2] = [include_str!("v1.sql"), include_str!("v2.sql")];
/// `application_id` of our files: "Mote".
const OURS: i32 = 0x4d6f_7465;
/// How long a command waits for another that writes.
const PATIENCE: Duration = Duration::from_secs(10);
/// Backups kept.
const BACKUPS: usize = 7;
/// The variable that names the ledger where no option does.
const VARIABLE: &str = "MOTELIGHT_LEDGER";

/// The open ledger.
#[derive(Debug)]
pub struct Ledger {
    pub(super) db: Connection,
    path: PathBuf,
}

/// Where the ledger lies: `MOTELIGHT_LEDGER`, else the user's data folder. `None` where the system tells no such folder.
pub fn default_path() -> Option<PathBuf> {
    std::env::var_os(VARIABLE)
        .filter(|v| !v.is_empty())
        .map(PathBuf::from)
        .or_else(|| directories::ProjectDirs::from("", "", "motelight").map(|d| d.data_dir().join("ledger.sqlite")))
}

impl Ledger {
    /// Opens a ledger for writing; makes it if there is none. The first time of a day it is backed up.
    ///
    /// # Errors
    /// A damaged file, one of another program or of a newer version of this one, a place that cannot be written to.
    pub fn open(path: &Path) -> Result<Ledger, FrameError> {
        if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|e| {
                let message = format!("the folder of the ledger cannot be made: {e}");
                FrameError::new(
                    Fault::Unwritable,
                    path,
                    message,
                    "Check its permissions, or name another with --ledger.",
                )
            })?;
        }
        let mut ledger = Ledger::connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)?;
        // A tear anywhere in the file must be known before anything is added to it.
        let found: String = ledger.one("PRAGMA quick_check(1)")?;
        if found != "ok" {
            return Err(ledger.damaged(&found));
        }
        ledger.migrate()?;
        ledger.back_up_daily();
        Ok(ledger)
    }

    /// Opens a ledger to read; `None` if there is none yet.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn open_existing(path: &Path) -> Result<Option<Ledger>, FrameError> {
        if !path.exists() {
            return Ok(None);
        }
        let mut ledger = Ledger::connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        ledger.migrate()?;
        Ok(Some(ledger))
    }

    fn connect(path: &Path, flags: OpenFlags) -> Result<Ledger, FrameError> {
        refuse_strangers(path)?;
        let db =
            Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX).map_err(|e| told(path, &e))?;
        let ledger = Ledger { db, path: path.to_path_buf() };
        let set = || -> rusqlite::Result<()> {
            ledger.db.busy_timeout(PATIENCE)?;
            // Where the file system cannot do it (some networks), SQLite keeps its own older way, as safe but slower.
            ledger.db.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
            ledger.db.pragma_update(None, "synchronous", "FULL")?;
            ledger.db.pragma_update(None, "foreign_keys", true)
        };
        set().map_err(|e| ledger.fault(&e))?;
        Ok(ledger)
    }

    /// Its file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Brings an older file to the newest schema.
    fn migrate(&mut self) -> Result<(), FrameError> {
        let version: i64 = self.one("PRAGMA user_version")?;
        let known = MIGRATIONS.len() as i64;
        if version == known {
            return Ok(());
        }
        let path = self.path.clone();
        if version > known {
            let message =
                format!("the ledger was written by a newer version of this program (schema {version}, known {known})");
            return Err(FrameError::new(
                Fault::Unsupported,
                &path,
                message,
                "Use that version, or another file with --ledger.",
            ));
        }
        let owner: i32 = self.one("PRAGMA application_id")?;
        let tables: i64 = self.one("SELECT count(*) FROM sqlite_schema")?;
        if tables > 0 && owner != OURS {
            return Err(stranger(&path));
        }
        if version > 0 {
            self.back_up(&format!("v{version}"))?;
        }
        self.write(|t| {
            // Another process may have been quicker.
            let version: i64 = t.query_row("PRAGMA user_version", [], |r| r.get(0))?;
            for sql in MIGRATIONS.iter().skip(version.max(0) as usize) {
                t.execute_batch(sql)?;
            }
            t.pragma_update(None, "application_id", OURS)?;
            t.pragma_update(None, "user_version", known.max(version))
        })
    }

    /// Does something whole or not at all; waits for others that write.
    pub(super) fn write<T>(&mut self, work: impl FnOnce(&Transaction) -> rusqlite::Result<T>) -> Result<T, FrameError> {
        let done = (|| {
            let transaction = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let value = work(&transaction)?;
            transaction.commit()?;
            Ok(value)
        })();
        done.map_err(|e| self.fault(&e))
    }

    /// One value of one row.
    pub(super) fn one<T: rusqlite::types::FromSql>(&self, sql: &str) -> Result<T, FrameError> {
        self.db.query_row(sql, [], |r| r.get(0)).map_err(|e| self.fault(&e))
    }

    /// All rows of a question.
    pub(super) fn rows<T>(
        &self,
        sql: &str,
        parameters: impl rusqlite::Params,
        row: impl FnMut(&rusqlite::Row) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, FrameError> {
        let asked = || self.db.prepare_cached(sql)?.query_map(parameters, row)?.collect::<rusqlite::Result<Vec<T>>>();
        asked().map_err(|e| self.fault(&e))
    }

    /// What a failure means for the person.
    pub(super) fn fault(&self, e: &rusqlite::Error) -> FrameError {
        told(&self.path, e)
    }

    fn damaged(&self, what: &str) -> FrameError {
        damaged(&self.path, what)
    }

    /// A backup a day, before the first thing written on it. That one cannot be made is no reason not to work.
    fn back_up_daily(&self) {
        let today = now().day().to_owned();
        if !backup_path(&self.path, &today).exists() && self.back_up(&today).is_ok() {
            let old = backups(&self.path);
            for path in old.iter().take(old.len().saturating_sub(BACKUPS)) {
                // One too many does no harm.
                let _ = std::fs::remove_file(path);
            }
        }
    }

    fn back_up(&self, name: &str) -> Result<(), FrameError> {
        let whole = backup_path(&self.path, name);
        let part = whole.with_extension("part");
        // What an earlier, broken attempt left.
        let _ = std::fs::remove_file(&part);
        let copied = self.db.execute("VACUUM INTO ?1", [part.to_string_lossy().as_ref()]);
        copied.map_err(|e| self.fault(&e))?;
        let renamed =
            std::fs::File::open(&part).and_then(|f| f.sync_all()).and_then(|()| std::fs::rename(&part, &whole));
        renamed
            .map_err(|e| FrameError::new(Fault::Unwritable, &whole, format!("no backup: {e}"), "Check the space left."))
    }
}

fn backup_path(path: &Path, name: &str) -> PathBuf {
    let mut file = path.file_name().unwrap_or_default().to_os_string();
    file.push(format!(".backup-{name}"));
    path.with_file_name(file)
}

/// The backups beside a ledger, the oldest first.
fn backups(path: &Path) -> Vec<PathBuf> {
    let start = format!("{}.backup-", path.file_name().unwrap_or_default().to_string_lossy());
    let folder = path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten().map(|e| e.path());
    let named = |p: &PathBuf| {
        let name = p.file_name().unwrap_or_default().to_string_lossy().into_owned();
        name.starts_with(&start) && !name.ends_with(".part")
    };
    let mut found: Vec<PathBuf> = entries.filter(named).collect();
    let age = |p: &PathBuf| p.metadata().and_then(|m| m.modified()).ok();
    found.sort_by_key(|p| (age(p), p.clone()));
    found
}

/// Files that are no ledgers are refused before SQLite touches them.
fn refuse_strangers(path: &Path) -> Result<(), FrameError> {
    if !path.exists() {
        return Ok(());
    }
    let mut head = [0u8; 72];
    let mut file = std::fs::File::open(path).map_err(|e| {
        FrameError::new(Fault::Unreadable, path, format!("the ledger cannot be opened: {e}"), "Check its permissions.")
    })?;
    let mut got = 0;
    while got < head.len() {
        match file.read(&mut head[got..]) {
            Ok(0) | Err(_) => break,
            Ok(n) => got += n,
        }
    }
    match got {
        0 if backups(path).is_empty() => Ok(()),
        0 => Err(damaged(path, "it is empty, but has backups")),
        n if n < head.len() || &head[..16] != b"SQLite format 3\0" => {
            Err(damaged(path, "its head is not that of a ledger"))
        }
        // application_id stands at byte 68, big-endian (SQLite file format, section 1.3).
        _ => {
            let owner = i32::from_be_bytes([head[68], head[69], head[70], head[71]]);
            if owner == OURS || owner == 0 { Ok(()) } else { Err(stranger(path)) }
        }
    }
}

fn stranger(path: &Path) -> FrameError {
    let message = "this file belongs to another program";
    FrameError::new(Fault::Usage, path, message, "Name another file for the ledger: --ledger FILE.")
}

fn damaged(path: &Path, what: &str) -> FrameError {
    let remedy = match backups(path).last() {
        Some(backup) => format!(
            "Nothing was written to it. The last backup is {}: move the damaged file away and copy the backup to its place.",
            backup.display()
        ),
        None => "Nothing was written to it, and it has no backup yet: move it away; a new one is made.".to_owned(),
    };
    FrameError::new(Fault::Broken, path, format!("the ledger is damaged: {what}"), remedy)
}

fn told(path: &Path, e: &rusqlite::Error) -> FrameError {
    let code = e.sqlite_error_code();
    match code {
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => damaged(path, &e.to_string()),
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => FrameError::new(
            Fault::Unwritable,
            path,
            "another program has held the ledger for too long",
            "Try again when it is done.",
        ),
        Some(
            ErrorCode::ReadOnly
            | ErrorCode::CannotOpen
            | ErrorCode::PermissionDenied
            | ErrorCode::DiskFull
            | ErrorCode::SystemIoFailure,
        ) => FrameError::new(
            Fault::Unwritable,
            path,
            format!("the ledger cannot be written: {e}"),
            "Check permissions and the space left, or name another file with --ledger.",
        ),
        Some(ErrorCode::ConstraintViolation) => FrameError::new(
            Fault::Usage,
            path,
            format!("the entry does not fit the ledger: {e}"),
            "Check what was given.",
        ),
        _ => FrameError::new(Fault::Broken, path, format!("the ledger cannot be read: {e}"), "Try a backup of it."),
    }
}
