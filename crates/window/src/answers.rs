//! What the worker says, taken in.

use std::path::PathBuf;

use motelight_desk::jobs::{Inspected, Rechecked};
use motelight_desk::report::shown;
use motelight_frame::{Body, Fault, FrameError};
use motelight_motes::inspect::fitness::Verdict;

use crate::app::App;
use crate::found::{Judged, Rechecks, refusal};
use crate::state::Step;
use crate::worker::{Answer, Job, News};

impl App {
    /// Takes in all news of the worker.
    pub(crate) fn hear(&mut self) {
        for (number, news) in self.worker.news() {
            match news {
                News::Progress(done, of, name) => {
                    if let Some(running) = self.found.running.as_mut().filter(|r| r.number == number) {
                        running.progress = Some((done, of, name));
                    }
                }
                News::Arrived(path) => self.arrived(path),
                News::Done(answer) => {
                    let step = self.found.ends(number).unwrap_or(self.state.step);
                    self.answered(*answer, step);
                }
            }
        }
    }

    /// A file has appeared in the watched folder: the first test frame, or the next.
    fn arrived(&mut self, path: PathBuf) {
        match self.state.sensor.frames.is_empty() {
            true => self.begin(path),
            false => self.next_frame(path),
        }
    }

    fn answered(&mut self, answer: Answer, step: Step) {
        match answer {
            Answer::Bodies(Ok(bodies)) => self.found.bodies = bodies,
            Answer::Bodies(Err(e)) => self.found.trouble(Step::Body, e),
            Answer::Demo(Ok((wall, folder))) => self.demo(wall, folder),
            Answer::Demo(Err(e)) | Answer::Mistake(e) => self.found.trouble(step, e),
            Answer::Inspected(one, unrecorded) => {
                self.found.unrecorded = unrecorded;
                self.inspected(*one);
            }
            Answer::Rechecked(done, card) => {
                let card = card.and_then(|c| c.map_err(|e| self.found.trouble(Step::Ready, e)).ok());
                self.rechecked(*done, card);
            }
            Answer::Listed(found, errors) => {
                self.found.sources = found;
                errors.into_iter().for_each(|e| self.found.trouble(Step::Folder, e));
                self.read_wall();
            }
            Answer::Traced(Ok((shoot, basis))) => {
                self.found.traced = Some(shoot);
                match basis {
                    Ok(basis) => self.found.trace = Some(basis),
                    Err(e) => self.found.trouble(Step::Trace, e),
                }
                self.found.said = Some("Traced.".into());
                self.wall_of_ledger();
                self.read_wall();
            }
            Answer::Traced(Err(e)) => self.found.trouble(Step::Trace, e),
            Answer::Chart(path, Ok(basis)) => self.found.wall = Some((path, basis)),
            Answer::Chart(path, Err(e)) => {
                if self.state.shoot.wall.as_ref() == Some(&path) {
                    self.state.shoot.wall = None;
                }
                self.found.trouble(step, e);
            }
            Answer::Mended(Ok(shoot)) => {
                self.found.unrecorded = shoot.unrecorded.clone();
                self.found.mended = Some(shoot);
            }
            Answer::Mended(Err(e)) => self.found.trouble(Step::Mend, e),
            Answer::SignedOff(shoot) => {
                self.found.unrecorded = shoot.unrecorded.clone();
                self.found.signed_off = Some(shoot);
            }
        }
    }

    /// The demo's files are there: its test frame is judged first, its shoot waits on the other path.
    fn demo(&mut self, wall: PathBuf, folder: PathBuf) {
        self.state.sensor.body = None;
        self.state.open_shoot(folder.clone());
        self.state.shoot.wall = Some(wall.clone());
        self.found.forget_shoot();
        self.begin(wall);
        self.ask(Job::List(folder), Step::Folder);
    }

    fn inspected(&mut self, one: Inspected) {
        let inspection = match one.result {
            Ok(inspection) => inspection,
            Err(e) => {
                self.state.sensor.frames.retain(|f| *f != one.path);
                return self.found.trouble(Step::TestFrame, e);
            }
        };
        if let Some(e) = self.of_another_body(&one.path, inspection.body.as_ref()) {
            self.state.sensor.frames.clear();
            return self.found.trouble(Step::TestFrame, e);
        }
        let judged = Judged {
            report: one.report,
            ..Judged::new(one.path, inspection, self.state.booked(), self.state.sensor.circumstances)
        };
        if self.state.step == Step::TestFrame {
            self.state.step = Step::Verdict;
        }
        let unfit = judged.inspection.fitness.verdict == Verdict::Unfit;
        self.found.judged = Some(judged);
        self.found.rechecked = None;
        if !unfit {
            self.suggest_pass();
        }
        self.ask(Job::Bodies, Step::Body);
    }

    /// Why a test frame is not taken, where a body was chosen and the frame is of another.
    fn of_another_body(&self, path: &std::path::Path, body: Option<&Body>) -> Option<FrameError> {
        let chosen = self.found.bodies.iter().find(|c| Some(c.row.number) == self.state.sensor.body)?;
        let body = body?;
        if (&body.model, &body.serial) == (&chosen.row.model, &chosen.row.serial) {
            return None;
        }
        let serial = body.serial.as_ref().map_or(String::new(), |s| format!(" no. {s}"));
        let message = format!("this test frame is by {}{serial}, not by {}", body.model, chosen.row.called());
        let remedy = "Give a test frame by the body that was chosen, or choose the other body in the first step.";
        Some(FrameError::new(Fault::Usage, path, shown(&message), remedy))
    }

    fn rechecked(&mut self, done: Rechecked, card: Option<PathBuf>) {
        let compare = match done.result {
            Ok(compare) => compare,
            Err(refused) => return self.found.trouble(Step::Recheck, refusal(refused)),
        };
        if self.state.sensor.frames.last() != Some(&done.after) {
            self.state.sensor.frames.push(done.after.clone());
        }
        self.found.unrecorded = compare.unrecorded.clone();
        self.found.rechecked = Some(Rechecks { before: done.before, after: done.after, compare, card });
        self.suggest_pass();
        self.ask(Job::Bodies, Step::Body);
    }

    /// Where no test frame was named to mend by, the last one of the shoot's body that the ledger knows.
    fn wall_of_ledger(&mut self) {
        if self.state.shoot.wall.is_some() {
            return;
        }
        let traced = self.found.traced.as_ref().and_then(|s| s.bodies.first());
        let Some(body) = traced.and_then(|b| b.traced.body.as_ref()) else { return };
        let known = self.found.bodies.iter().find(|c| (&c.row.model, &c.row.serial) == (&body.model, &body.serial));
        let last = known.and_then(|c| c.last.as_ref()).map(|l| PathBuf::from(&l.path));
        self.state.shoot.wall = last.filter(|p| p.is_file());
    }
}
