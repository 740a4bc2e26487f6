//! The last steps of a shoot's path: mended copies, sign-off, the delivery note.

use eframe::egui::{Grid, RichText, Ui};
use motelight_desk::contract::Answer;
use motelight_desk::jobs::MendedPicture;
use motelight_desk::jobs::signoff::{Signed, SignedFile};
use motelight_desk::report::shown;
use motelight_motes::mend::{Choice, Treatment};
use motelight_motes::signoff::Verdict;

use super::folder::wall_ui;
use super::pieces::{Page, button, looked_ui, main_button, take_ui, trouble_ui, troubles_ui};
use crate::command::{Command, Commands};
use crate::state::Step;
use crate::theme::{self, Mood};
use crate::worker::{MendedShoot, SignedShoot, name};

/// What would be mended into where, and what came of it.
pub fn mend_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    if let Some(mended) = &page.found.mended {
        return mended_ui(page, ui, mended, commands);
    }
    let count = page.found.sources.len();
    if count == 0 {
        theme::title(ui, "No shoot is open");
        button(ui, "Go to the folder", Command::Go(Step::Folder), commands);
        return;
    }
    theme::title(ui, &format!("Mend {count} pictures"));
    theme::text(
        ui,
        "Each into a copy of its own. Originals are only read; a mote that a picture does not show is left alone.",
    );
    let decided = |choice: Choice| page.state.shoot.choices.values().filter(|c| **c == choice).count();
    let (mend, skip) = (decided(Choice::Mend), decided(Choice::Skip));
    theme::text(ui, format!("By your choice: {mend} to mend, {skip} to skip. All others are left to the measurement."));
    ui.horizontal_wrapped(|ui| {
        ui.add_enabled_ui(!page.state.shoot.undo.is_empty(), |ui| {
            button(ui, "Take the last choice back", Command::Undo, commands);
        });
    });
    wall_ui(page, ui, commands);
    theme::heading(ui, "The copies go to");
    if let Some(out) = page.state.out() {
        theme::text(ui, shown(&out.display().to_string()));
    }
    take_ui(ui, "name another folder", ("Choose …", Command::OpenOut), Command::Out, commands);
    troubles_ui(page, ui, Step::Mend);
    if page.found.basis().is_some() {
        main_button(page, ui, "Mend the shoot", commands);
    } else {
        theme::badge(
            ui,
            page.theme,
            Mood::Care,
            "Mending wants a test frame by the same body, or the trace of the shoot: choose one above, or trace first.",
        );
    }
}

fn mended_ui(page: &Page, ui: &mut Ui, mended: &MendedShoot, commands: &mut Commands) {
    let failed = mended.pictures.iter().filter(|p| p.result.is_err()).count();
    let done = mended.pictures.len() - failed;
    let all = page.found.sources.len();
    let title = if mended.pictures.len() < all {
        format!("Stopped: {done} of {all} pictures are mended.")
    } else if failed > 0 {
        format!("{done} pictures are mended, {failed} are not.")
    } else {
        format!("{done} pictures are mended.")
    };
    theme::title(ui, &title);
    if let Some(out) = page.state.out() {
        theme::text(ui, format!("In {}. The originals are as they were.", shown(&out.display().to_string())));
    }
    troubles_ui(page, ui, Step::Mend);
    for e in mended.pictures.iter().filter_map(|p| p.result.as_ref().err()) {
        trouble_ui(page, ui, e);
    }
    Grid::new("mended").num_columns(5).spacing([26.0, 7.0]).striped(true).show(ui, |ui| {
        for words in ["", "lifted", "filled", "untouched", "still showing"] {
            theme::head(ui, page.theme, words);
        }
        ui.end_row();
        for picture in &mended.pictures {
            row(page, ui, picture, commands);
        }
    });
    match &mended.page {
        Ok(path) => theme::quiet(
            ui,
            page.theme,
            &format!("Every place before and after: {}", shown(&path.display().to_string())),
        ),
        Err(e) => trouble_ui(page, ui, e),
    }
    ui.horizontal_wrapped(|ui| {
        main_button(page, ui, "Go on to sign-off", commands);
        button(ui, "Mend again", Command::MendAll, commands);
    });
}

fn row(page: &Page, ui: &mut Ui, picture: &MendedPicture, commands: &mut Commands) {
    let Ok(mending) = &picture.result else { return };
    let words = name(&picture.path);
    if ui.button(RichText::new(&words)).on_hover_text(format!("look at {words}")).clicked() {
        commands.push(Command::Picture(picture.path.clone()));
    }
    let count = |t: Treatment| mending.motes.iter().filter(|m| m.treatment == t).count();
    for treatment in [Treatment::Lifted, Treatment::Filled, Treatment::Untouched] {
        ui.label(count(treatment).to_string());
    }
    match mending.motes.iter().filter(|m| m.still_shows).count() {
        0 => theme::badge_in_row(ui, page.theme, Mood::Good, "none"),
        n => theme::badge_in_row(ui, page.theme, Mood::Care, &n.to_string()),
    }
    ui.end_row();
}

/// The proof at print size.
pub fn sign_off_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    if let Some(shoot) = &page.found.signed_off {
        return signed_off_ui(page, ui, shoot, commands);
    }
    theme::title(ui, "Sign-off");
    theme::text(ui, "A finished picture is signed off for a size and a distance at which it will be looked at:");
    looked_ui(page, ui, commands);
    troubles_ui(page, ui, Step::SignOff);
    if page.found.mended.is_some() {
        theme::text(
            ui,
            "Every copy is looked over for marks that would be seen so and look like shadows, and for each mote of its original.",
        );
        main_button(page, ui, "Look the copies over", commands);
    } else {
        theme::text(ui, "Mend the shoot first; then its copies are looked over.");
        button(ui, "Go to mending", Command::Go(Step::Mend), commands);
    }
}

fn signed_off_ui(page: &Page, ui: &mut Ui, shoot: &SignedShoot, commands: &mut Commands) {
    let clear = shoot.files.iter().filter(|f| verdict(f) == Some(Verdict::Clear)).count();
    let are = if clear == 1 { "is" } else { "are" };
    theme::title(ui, &format!("{clear} of {} pictures {are} clear.", shoot.files.len()));
    theme::text(ui, "A suspect is a place that would be seen and looks like a shadow; have a look at each.");
    troubles_ui(page, ui, Step::SignOff);
    for e in shoot.files.iter().filter_map(|f| f.result.as_ref().err()) {
        trouble_ui(page, ui, e);
    }
    Grid::new("signed off").num_columns(4).min_col_width(150.0).spacing([26.0, 7.0]).striped(true).show(ui, |ui| {
        for words in ["", "verdict", "worst, times what would be noticed", "motes of its original"] {
            theme::head(ui, page.theme, words);
        }
        ui.end_row();
        for file in &shoot.files {
            let Ok(signed) = &file.result else { continue };
            let counting: Vec<f64> =
                signed.sign_off.suspects.iter().filter(|s| s.counts).map(|s| s.times_threshold).collect();
            ui.label(name(&file.path));
            match signed.sign_off.verdict {
                Verdict::Clear => theme::badge_in_row(ui, page.theme, Mood::Good, "clear"),
                Verdict::Suspects => {
                    let words = if counting.len() == 1 { "1 suspect" } else { &format!("{} suspects", counting.len()) };
                    theme::badge_in_row(ui, page.theme, Mood::Care, words)
                }
                Verdict::CannotJudge => theme::badge_in_row(ui, page.theme, Mood::Care, "cannot judge"),
            }
            let worst = counting.iter().copied().fold(0.0, f64::max);
            ui.label(if counting.is_empty() { String::new() } else { format!("{worst:.1}") });
            let (told, more) = answers(signed);
            ui.label(told).on_hover_text(more);
            ui.end_row();
        }
    });
    match &shoot.pages {
        Ok(pages) => {
            if let Some(sheet) = &pages.report {
                let sheet = shown(&sheet.display().to_string());
                theme::quiet(ui, page.theme, &format!("Every suspect at print size and in raking view: {sheet}"));
            }
        }
        Err(e) => trouble_ui(page, ui, e),
    }
    main_button(page, ui, "Go on to the delivery note", commands);
}

/// How the motes that stand in its original fare in a copy, in a few words and in more.
fn answers(signed: &Signed) -> (String, String) {
    let Some(answered) = &signed.answered else { return ("not known".into(), signed.sign_off.notes.join(" ")) };
    let count = |of: Answer| answered.answers.iter().filter(|a| a.answer == of).count();
    let told = match (answered.answers.len(), count(Answer::Visible)) {
        (0, _) => "none".to_owned(),
        (all, 0) => format!("{all}, none visible"),
        (all, visible) => format!("{all}, {visible} visible"),
    };
    (told, format!("as {} tells", shown(&answered.original.told_by)))
}

fn verdict(file: &SignedFile) -> Option<Verdict> {
    file.result.as_ref().ok().map(|s| s.sign_off.verdict)
}

/// The page that goes with the files.
pub fn delivery_note_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    theme::title(ui, "Delivery note");
    match (page.found.delivery_note(), &page.found.signed_off) {
        (Some(note), _) => {
            theme::text(
                ui,
                "One page for the client's folder, over the files that are clear. It promises no more than was measured.",
            );
            theme::text(ui, shown(&note.display().to_string()));
        }
        (None, Some(_)) => theme::badge(
            ui,
            page.theme,
            Mood::Care,
            "No picture is clear, so there is no note: it promises no more than was measured.",
        ),
        (None, None) => {
            theme::text(ui, "It follows from sign-off, and promises no more than was measured.");
            button(ui, "Go to sign-off", Command::Go(Step::SignOff), commands);
        }
    }
}
