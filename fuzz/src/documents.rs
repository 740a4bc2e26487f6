//! Documents of any content: a trace to mend by, an export of the ledger to take back.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use motelight_desk::jobs::mend::Basis;
use motelight_desk::ledger::{Export, Ledger};
use motelight_fuzz::folder;

fuzz_target!(|data: &[u8]| {
    let path = folder().join("document.json");
    if std::fs::write(&path, data).is_err() {
        return;
    }
    if let Ok(basis) = Basis::trace_file(&path) {
        let _ = basis.ids().len();
        let _ = basis.chart(Path::new("picture-0001.jpg"));
    }
    if let Ok(export) = serde_json::from_slice::<Export>(data) {
        let place = folder().join("ledger.sqlite");
        let _ = std::fs::remove_file(&place);
        if let Ok(mut ledger) = Ledger::open(&place) {
            let _ = ledger.import(&export);
        }
    }
});
