//! A pane in which a picture is looked at, with marks about its shadows.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use eframe::egui::{
    Align2, Color32, Context, FontId, Key, Painter, Pos2, Rect, Response, Role, Sense, Shape, Stroke, TextureHandle,
    TextureOptions, Ui, UiBuilder, Vec2, WidgetInfo, pos2, vec2,
};
use motelight_desk::contract::RepairEntry;
use motelight_desk::jobs::look::{Seen, Version};
use motelight_desk::report::{Mark, placed};
use motelight_frame::{FrameError, Pixels, Size};
use motelight_motes::mend::Choice;
use motelight_motes::rake::RakeOptions;

use super::looker::{Drawn, Looker, Opened, Part, Relief, Wanted};
use super::tiles::{Tiles, touched};
use super::viewport::{Placing, Viewport};
use crate::command::{Command, Commands, HELD};
use crate::state::{Shown, State};
use crate::theme::{self, SMALL, Theme};

/// A shadow to be marked.
#[derive(Debug, Clone, PartialEq)]
pub struct Spot {
    /// Its id.
    pub id: String,
    /// Its place in the stored picture, px.
    pub at: (f64, f64),
    /// Full width of the shadow at half depth, px.
    pub width_px: f64,
    /// Whether it shows.
    pub shows: bool,
    /// What was decided.
    pub choice: Option<Choice>,
    /// What is known of it, in a line.
    pub words: String,
}

impl Spot {
    /// The id as it stands at the mark: what the digest of the test frame adds is left out.
    pub fn number(&self) -> &str {
        self.id.rsplit('-').next().unwrap_or(&self.id)
    }

    fn label(&self) -> String {
        match self.choice {
            None => self.number().to_owned(),
            Some(Choice::Mend) => format!("{} mend", self.number()),
            Some(Choice::Skip) => format!("{} skip", self.number()),
        }
    }
}

/// Closest at which a mote is brought into the middle: its shadow this wide on the screen, points.
const SHADOW: f32 = 90.0;
/// Points that an arrow key moves the picture by in a frame.
const STEP: f32 = 24.0;
/// What one key press goes closer by.
const CLOSER: f32 = 1.5;

/// The pane.
pub struct Viewer {
    looker: Looker,
    /// How many were asked for, and which of them is shown.
    opened: u64,
    shown: u64,
    opening: Option<PathBuf>,
    seen: Option<(PathBuf, Opened)>,
    error: Option<(PathBuf, FrameError)>,
    viewport: Viewport,
    tiles: Tiles,
    reliefs: BTreeMap<Version, (Relief, TextureHandle)>,
    mote: Option<usize>,
    /// Whether something that should be seen is still being drawn.
    waits: bool,
    last: Option<Placing>,
    /// Points of the screen to one of its pixels.
    one_to_one: f32,
}

impl Viewer {
    /// An empty pane.
    pub fn new(looker: Looker) -> Viewer {
        Viewer {
            looker,
            opened: 0,
            shown: 0,
            opening: None,
            seen: None,
            error: None,
            viewport: Viewport::default(),
            tiles: Tiles::default(),
            reliefs: BTreeMap::new(),
            mote: None,
            waits: true,
            last: None,
            one_to_one: 1.0,
        }
    }

    /// Reads a picture; the one that is shown stays until the new one is there.
    pub fn open(&mut self, wanted: Wanted) {
        self.opened += 1;
        if self.path() != Some(&wanted.source.path) {
            self.mote = None;
        }
        self.error = None;
        self.opening = Some(wanted.source.path.clone());
        self.looker.open(self.opened, wanted);
    }

    /// The picture that is shown.
    pub fn path(&self) -> Option<&PathBuf> {
        self.seen.as_ref().map(|(path, _)| path)
    }

    /// The picture that is shown, being read, or could not be read.
    pub fn asked(&self) -> Option<&PathBuf> {
        self.opening.as_ref().or(self.error.as_ref().map(|(p, _)| p)).or(self.path())
    }

    /// The picture that is shown, to be looked at.
    pub fn seen(&self) -> Option<&Seen> {
        self.seen.as_ref().map(|(_, opened)| &*opened.seen)
    }

    /// Whether anything of the picture has been drawn.
    pub fn is_drawn(&self) -> bool {
        !self.tiles.is_empty()
    }

    /// Whether all that should be seen of the picture that was asked for is drawn.
    pub fn is_whole(&self) -> bool {
        self.opening.is_none() && self.seen.is_some() && !self.waits
    }

    /// What would come of the motes of the picture that is shown.
    pub fn motes(&self) -> &[RepairEntry] {
        self.seen.as_ref().map_or(&[], |(_, opened)| &opened.motes)
    }

    /// The mote that one looks at.
    pub fn mote(&self) -> Option<usize> {
        self.mote
    }

    /// Writes the choices down beside the other work.
    pub fn keep(&self, path: &Path, state: &State) {
        self.looker.keep(path.to_path_buf(), state.clone());
    }

    /// Takes what was drawn meanwhile; gives why choices could not be written down.
    pub fn receive(&mut self, ctx: &Context) -> Option<FrameError> {
        let mut not_kept = None;
        let all: Vec<Drawn> = self.looker.drawn().collect();
        for drawn in all {
            match drawn {
                Drawn::Picture(number, path, read) if number == self.opened => {
                    self.opening = None;
                    match read {
                        Ok(opened) => self.show(path, opened),
                        Err(e) => self.error = Some((path, e)),
                    }
                }
                Drawn::Picture(..) => {}
                Drawn::Tile(part, image) if part.picture == self.shown => self.tiles.put(ctx, part, image),
                Drawn::Tile(..) => {}
                Drawn::Relief(relief, image) => {
                    if relief.part.picture == self.shown {
                        let texture = ctx.load_texture("relief", image, TextureOptions::LINEAR);
                        self.reliefs.insert(relief.part.version, (relief, texture));
                    }
                }
                Drawn::NotKept(e) => not_kept = Some(e),
            }
        }
        not_kept
    }

    fn show(&mut self, path: PathBuf, opened: Opened) {
        let same = self.seen.as_ref().is_some_and(|(_, o)| o.seen.size() == opened.seen.size());
        if !same {
            self.viewport.fit();
        }
        // What was drawn meanwhile is of the picture that was shown until now.
        self.shown = self.opened;
        self.tiles.clear();
        self.reliefs.clear();
        self.seen = Some((path, opened));
    }

    /// Does what is asked of the view.
    pub fn command(&mut self, command: &Command, spots: &[Spot]) {
        let Some(now) = self.last else { return };
        let middle = now.pane.center();
        match command {
            Command::Fit => self.viewport.fit(),
            Command::ActualSize => self.viewport.zoom_to(self.one_to_one, middle, &now),
            Command::Closer => self.viewport.zoom_by(CLOSER, middle, &now),
            Command::Further => self.viewport.zoom_by(1.0 / CLOSER, middle, &now),
            Command::NextMote => self.go(spots, 1),
            Command::PreviousMote => self.go(spots, spots.len().saturating_sub(1)),
            Command::Mote(i) => self.centre(spots, *i),
            _ => {}
        }
    }

    fn go(&mut self, spots: &[Spot], by: usize) {
        if !spots.is_empty() {
            let next = match self.mote {
                Some(at) => (at + by) % spots.len(),
                None if by == 1 => 0,
                None => spots.len() - 1,
            };
            self.centre(spots, next);
        }
    }

    fn centre(&mut self, spots: &[Spot], i: usize) {
        let (Some(spot), Some(seen), Some(now)) = (spots.get(i), self.seen(), self.last) else { return };
        let (x, y) = seen.turn.shown(spot.at.0, spot.at.1);
        let zoom = (SHADOW / spot.width_px.max(1.0) as f32).clamp(0.25 * self.one_to_one, 4.0 * self.one_to_one);
        self.mote = Some(i);
        self.viewport.show(vec2(x as f32, y as f32), zoom, &now);
    }

    /// Draws the pane into all the room that is left.
    pub fn ui(&mut self, ui: &mut Ui, theme: &Theme, shown: &Shown, spots: &[Spot], commands: &mut Commands) {
        self.one_to_one = 1.0 / ui.ctx().pixels_per_point();
        let area = ui.available_rect_before_wrap();
        ui.advance_cursor_after_rect(area);
        ui.painter().rect_filled(area, 0.0, theme.surround);
        let Some((path, Opened { seen, .. })) = self.seen.clone() else {
            return self.waiting(ui, theme, area);
        };
        let after = seen.has_after();
        let held = ui.input(|i| i.key_down(HELD.0)) && !ui.ctx().egui_wants_keyboard_input();
        let panes: Vec<(Rect, Version, &str)> = if shown.beside && after {
            let (left, right) = area.split_left_right_at_fraction(0.5);
            let gap = vec2(3.0, 0.0);
            let right = Rect::from_min_max(right.min + gap, right.max);
            vec![
                (Rect::from_min_max(left.min, left.max - gap), Version::Before, "before"),
                (right, Version::After, "after"),
            ]
        } else if after && !held {
            vec![(area, Version::After, "after")]
        } else {
            vec![(area, Version::Before, if after { "before" } else { "" })]
        };
        self.tiles.begin();
        let (mut reliefs, mut parts) = (Vec::new(), Vec::new());
        for (pane, version, word) in &panes {
            let named = crate::worker::name(&path);
            let label = format!("Picture {named}{}{word}", if word.is_empty() { "" } else { ", " });
            let response = ui.interact(*pane, ui.scope_id().with(("pane", word)), Sense::click_and_drag());
            response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &label));
            let placing = self.moved(ui, &response, *pane, seen.size());
            let painter = ui.painter_at(*pane);
            self.picture(&painter, &seen, &placing, (*version, shown), (&mut reliefs, &mut parts));
            if shown.marks {
                self.marks(&painter, theme, &seen, &placing, spots);
                if let Some(at) = response.clicked().then(|| response.interact_pointer_pos()).flatten() {
                    let near = |s: &Spot| on_screen(&seen, &placing, s).distance(at);
                    let hit = (0..spots.len()).min_by(|&a, &b| near(&spots[a]).total_cmp(&near(&spots[b])));
                    if let Some(i) =
                        hit.filter(|&i| near(&spots[i]) < 24.0_f32.max(spots[i].width_px as f32 * placing.zoom))
                    {
                        self.mote = Some(i);
                        commands.push(Command::Mote(i));
                    }
                }
            }
            caption(&painter, *pane, &caption_words(word, shown, &placing, self.one_to_one));
        }
        self.waits = !(reliefs.is_empty() && parts.is_empty());
        self.looker.want(&seen, reliefs, parts);
        if self.opening.is_some() {
            ui.scope_builder(UiBuilder::new().max_rect(area.shrink(12.0)), |ui| {
                ui.spinner();
            });
        }
    }

    fn waiting(&self, ui: &mut Ui, theme: &Theme, area: Rect) {
        ui.scope_builder(UiBuilder::new().max_rect(area.shrink(24.0)), |ui| {
            ui.visuals_mut().override_text_color = Some(theme.on_surround);
            match (&self.opening, &self.error) {
                (Some(path), _) => {
                    ui.horizontal(|ui| {
                        ui.spinner();
                        ui.label(format!("Reading {} …", crate::worker::name(path)));
                    });
                }
                (None, Some((path, e))) => {
                    ui.label(format!("{}: {}", crate::worker::name(path), e.message));
                    ui.label(&e.remedy);
                }
                (None, None) => {
                    ui.label("No picture is open.");
                }
            }
        });
    }

    /// Moves the view as pointer, wheel and arrow keys say.
    fn moved(&mut self, ui: &Ui, response: &Response, pane: Rect, size: Size) -> Placing {
        let mut placing = self.viewport.placing(pane, size);
        if response.dragged() {
            self.viewport.pan(response.drag_delta(), &placing);
        }
        if response.double_clicked() {
            let about = response.interact_pointer_pos().unwrap_or(pane.center());
            match placing.zoom < 0.99 * self.one_to_one {
                true => self.viewport.zoom_to(self.one_to_one, about, &placing),
                false => self.viewport.fit(),
            }
        }
        if let Some(about) = response.hover_pos() {
            let (wheel, pinch) = ui.input(|i| (i.smooth_scroll_delta().y, i.zoom_delta()));
            let factor = pinch * (0.004 * wheel).exp();
            if factor != 1.0 {
                self.viewport.zoom_by(factor, about, &placing);
            }
        }
        if ui.ctx().memory(|m| m.focused().is_none()) {
            let down = |key| ui.input(|i| i.key_down(key) && i.modifiers.is_none());
            let by = [
                (Key::ArrowLeft, vec2(STEP, 0.0)),
                (Key::ArrowRight, vec2(-STEP, 0.0)),
                (Key::ArrowUp, vec2(0.0, STEP)),
                (Key::ArrowDown, vec2(0.0, -STEP)),
            ];
            for (_, by) in by.into_iter().filter(|(key, _)| down(*key)) {
                self.viewport.pan(by, &placing);
                ui.ctx().request_repaint();
            }
        }
        placing = self.viewport.placing(pane, size);
        self.last = Some(placing);
        placing
    }

    fn picture(
        &mut self,
        painter: &Painter,
        seen: &Seen,
        placing: &Placing,
        (version, shown): (Version, &Shown),
        (reliefs, parts): (&mut Vec<Relief>, &mut Vec<Part>),
    ) {
        let picture = self.shown;
        let level = placing.level(seen.levels(), self.one_to_one);
        let part = |level: usize, r: motelight_frame::Rect| Part {
            picture,
            version,
            level,
            at: [r.x, r.y, r.width, r.height],
        };
        if shown.raking {
            if let Some(visible) = placing.seen((1 << level) as f32) {
                let long = seen.size().width.max(seen.size().height) as f64;
                let scale = Pixels((0.01 * shown.scale * long).max(1.0));
                let wanted =
                    Relief { part: part(level, visible), options: RakeOptions { scale, strength: shown.strength } };
                if self.reliefs.get(&version).is_none_or(|(there, _)| *there != wanted) {
                    reliefs.push(wanted);
                }
            }
            if let Some((there, texture)) = self.reliefs.get(&version) {
                let place = placing.place(there.part.rect(), (1 << there.part.level) as f32);
                draw(painter, texture, place);
            }
            return;
        }
        let side = Tiles::side(painter.ctx());
        let coarsest = seen.levels() - 1;
        let levels = if level == coarsest { vec![level] } else { vec![coarsest, level] };
        for level in levels {
            let reduced = (1 << level) as f32;
            let Some(visible) = placing.seen(reduced) else { continue };
            for rect in touched(visible, seen.level_size(level), side) {
                let part = part(level, rect);
                match self.tiles.get(&part) {
                    Some(texture) => draw(painter, texture, placing.place(rect, reduced)),
                    None => parts.push(part),
                }
            }
        }
    }

    fn marks(&self, painter: &Painter, theme: &Theme, seen: &Seen, placing: &Placing, spots: &[Spot]) {
        let near = placing.pane.expand(60.0);
        let (mut marks, mut which) = (Vec::new(), Vec::new());
        for (i, spot) in spots.iter().enumerate() {
            let at = on_screen(seen, placing, spot);
            if near.contains(at) {
                let width = f64::from(placing.zoom) * spot.width_px;
                marks.push(Mark { id: spot.label(), x: at.x.into(), y: at.y.into(), width, shows: spot.shows });
                which.push(i);
            }
        }
        let pane = placing.pane;
        let bounds = [pane.left(), pane.top(), pane.right(), pane.bottom()].map(f64::from);
        // Ids are set larger here than in a report: they are read from further away.
        for ((place, mark), i) in placed(&marks, 1.25, bounds).into_iter().zip(&marks).zip(which) {
            let here = self.mote == Some(i);
            let ink = if here { theme.accent_on_picture() } else { Color32::WHITE };
            draw_mark(painter, [ink, Color32::from_black_alpha(220)], &place, mark, here);
        }
    }
}

fn on_screen(seen: &Seen, placing: &Placing, spot: &Spot) -> Pos2 {
    let (x, y) = seen.turn.shown(spot.at.0, spot.at.1);
    placing.screen(x as f32, y as f32)
}

fn draw(painter: &Painter, texture: &TextureHandle, place: Rect) {
    let whole = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
    painter.image(texture.id(), place, whole, Color32::WHITE);
}

/// Corner ticks and an id in one colour with a rim of another, to be seen on everything.
pub fn draw_mark(
    painter: &Painter,
    [ink, rim]: [Color32; 2],
    place: &motelight_desk::report::Placed,
    mark: &Mark,
    here: bool,
) {
    let ([l, t, r, b], label) = place;
    let weight = if here {
        3.0
    } else if mark.shows {
        2.0
    } else {
        1.1
    };
    let length = if here { 11.0 } else { 6.0 };
    let corner = |x: f64, y: f64, sx: f32, sy: f32| {
        let at = pos2(x as f32, y as f32);
        vec![at + vec2(0.0, sy * length), at, at + vec2(sx * length, 0.0)]
    };
    let corners =
        [corner(*l, *t, 1.0, 1.0), corner(*r, *t, -1.0, 1.0), corner(*r, *b, -1.0, -1.0), corner(*l, *b, 1.0, -1.0)];
    for (stroke, points) in [Stroke::new(weight + 2.4, rim), Stroke::new(weight, ink)]
        .into_iter()
        .flat_map(|s| corners.iter().map(move |c| (s, c)))
    {
        painter.add(Shape::line(points.clone(), stroke));
    }
    if let Some((x, y)) = label {
        rimmed(painter, (pos2(*x as f32, *y as f32), Align2::CENTER_CENTER), &mark.id, SMALL, [ink, rim]);
    }
}

fn rimmed(painter: &Painter, (at, align): (Pos2, Align2), words: &str, size: f32, [ink, rim]: [Color32; 2]) {
    let font = FontId::proportional(size);
    for by in [vec2(-1.2, 0.0), vec2(1.2, 0.0), vec2(0.0, -1.2), vec2(0.0, 1.2)] {
        painter.text(at + by, align, words, font.clone(), rim);
    }
    painter.text(at, align, words, font, ink);
}

fn caption(painter: &Painter, pane: Rect, words: &str) {
    let at = pane.left_bottom() + Vec2::new(12.0, -10.0);
    rimmed(painter, (at, Align2::LEFT_BOTTOM), words, theme::BODY, [Color32::WHITE, Color32::from_black_alpha(200)]);
}

fn caption_words(version: &str, shown: &Shown, placing: &Placing, one_to_one: f32) -> String {
    let per_cent = 100.0 * placing.zoom / one_to_one;
    let size = if per_cent < 9.95 { format!("{per_cent:.1} %") } else { format!("{per_cent:.0} %") };
    let raking = if shown.raking { "raking view" } else { "" };
    [version, raking, &size].into_iter().filter(|w| !w.is_empty()).collect::<Vec<_>>().join(" · ")
}
