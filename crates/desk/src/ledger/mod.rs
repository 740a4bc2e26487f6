//! The ledger: bodies, test frames, passes, shoots, supplies and costs, in one SQLite file in the user's data folder.
//!
//! Written by every command that has a result, unless told not to. Entries are committed one by one (write-ahead log, synced):
//! a crash or kill at any moment leaves a whole file. A damaged file is refused, never written to; the way out is the last of
//! the backups that lie beside it.

mod open;
mod when;
mod record;
mod keep;
mod story;
mod walls;
mod outlook;
mod ready;
mod exchange;

pub use exchange::{Export, exported_csv, import_csv};
pub use keep::{BodyChange, PassEntry, ShootEntry, Spent, Stock, SupplyChange};
pub use open::{Ledger, default_path};
pub use outlook::{Forecast, Outlook, Pack, Per};
pub use ready::{BodyReady, Ready};
pub use record::{ChartMote, FrameFacts};
pub use story::{BodyRow, DeliveryRow, FrameRow, PassRow, ShootRow, StayedMote, Story};
pub use walls::RecordedFrame;
pub use when::{Moment, now};
