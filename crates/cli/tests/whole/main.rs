//! The binary from outside: documents, exit codes, reports, bad files, real files.

mod bad_files;
mod inspect;
mod mend;
mod parts;
mod ledger;
mod real_files;
mod recheck;
mod run;
mod shoot;
mod signoff;
mod finished;
mod trace;
