//! The command line, defined once: help, man page and completions come from here.

use clap::{Parser, Subcommand};

use crate::verbs::demo::Demo;
use crate::verbs::inspect::Inspect;
use crate::verbs::ledger::Ledger;
use crate::verbs::mend::Mend;
use crate::verbs::recheck::Recheck;
use crate::verbs::trace::Trace;
use crate::verbs::window::Window;

/// What lies on your sensor, when it shows, and pictures without it.
#[derive(Debug, Parser)]
#[command(name = "motelight", version, about, long_about = None, after_help = EXIT_CODES)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub verb: Verb,
}

const EXIT_CODES: &str = "Exit codes, the highest wins:\n  0  nothing shows, nothing to do\n  \
    1  there is work to do: motes show, a test frame is unfit\n  2  something failed, cannot be judged or was used wrongly";

/// The verbs.
#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Judge test frames: what lies on the glass, from which f-number on it shows
    Inspect(Inspect),
    /// Hold a second test frame against the first: what is gone, stayed, moved or new, and what to do next
    Recheck(Recheck),
    /// Take the shadows of a test frame's motes out of pictures by the same body
    Mend(Mend),
    /// Find the motes of a whole shoot in its pictures alone, and when each came
    Trace(Trace),
    /// What was recorded of bodies, test frames, passes and supplies, and what it is good for
    Ledger(Ledger),
    /// Open the window: the whole job on screen
    Window(Window),
    /// Make a demo shoot and run the whole line on it
    Demo(Demo),
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_definition_of_the_command_line_holds_together() {
        Arguments::command().debug_assert();
    }
}
