//! The command line, defined once: help, man page and completions come from here.

use clap::{Parser, Subcommand};

use crate::verbs::demo::Demo;
use crate::verbs::inspect::Inspect;
use crate::verbs::ledger::Ledger;
use crate::verbs::mend::Mend;
use crate::verbs::merge::Merge;
use crate::verbs::rake::Rake;
use crate::verbs::recheck::Recheck;
use crate::verbs::signoff::SignOff;
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
    /// Look finished pictures over one last time, for the print or screen they are meant for
    #[command(name = "signoff")]
    SignOff(SignOff),
    /// Put together what several machines wrote, each for its part of the pictures (--part)
    Merge(Merge),
    /// Draw a picture as a raking view, its small differences raised, to check it by eye
    Rake(Rake),
    /// What was recorded of bodies, test frames, passes and supplies, and what it is good for
    Ledger(Ledger),
    /// Open the window: the whole job on screen
    Window(Window),
    /// Make a demo shoot and run the whole line on it
    Demo(Demo),
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use clap::CommandFactory;
    use clap_complete::Shell;

    use super::*;

    #[test]
    fn the_definition_of_the_command_line_holds_together() {
        Arguments::command().debug_assert();
    }

    /// The reference, the manual page and the completions are made from the definition; `MOTELIGHT_UPDATE=1` makes them anew.
    #[test]
    fn what_is_written_down_of_the_command_line_is_fresh() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
        let mut made = vec![(root.join("docs/commands.md"), reference().into_bytes())];
        let mut page = Vec::new();
        clap_mangen::Man::new(Arguments::command()).render(&mut page).expect("written");
        made.push((root.join("packaging/motelight.1"), page));
        for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
            let mut text = Vec::new();
            clap_complete::generate(shell, &mut Arguments::command(), "motelight", &mut text);
            made.push((root.join(format!("packaging/motelight.{shell}")), text));
        }
        for (path, bytes) in made {
            if std::env::var_os("MOTELIGHT_UPDATE").is_some() {
                std::fs::create_dir_all(path.parent().expect("a folder")).expect("made");
                std::fs::write(&path, bytes).expect("written");
            } else {
                let kept = std::fs::read(&path).unwrap_or_default();
                assert!(
                    kept == bytes,
                    "{} is stale: MOTELIGHT_UPDATE=1 cargo test --release --workspace",
                    path.display()
                );
            }
        }
    }

    /// Every verb's help, as the terminal shows it at a hundred columns.
    fn reference() -> String {
        let mut text = String::from("# Commands\n\nMade from the command line's own definition.\n");
        let mut all = Arguments::command().term_width(100);
        all.build();
        let mut waiting = vec![all];
        while let Some(mut command) = waiting.pop() {
            let name = command.get_bin_name().unwrap_or("motelight").to_owned();
            let help = command.render_long_help().to_string();
            let help: Vec<&str> = help.lines().map(str::trim_end).collect();
            text.push_str(&format!("\n## {name}\n\n```\n{}\n```\n", help.join("\n").trim_end()));
            let below = command.get_subcommands().filter(|c| c.get_name() != "help").cloned();
            waiting.extend(below.collect::<Vec<_>>().into_iter().rev());
        }
        text
    }
}
