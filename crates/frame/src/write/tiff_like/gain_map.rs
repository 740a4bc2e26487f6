//! The correction as gain maps of a DNG: the sensor data stay as they are, and a reader that applies the opcodes of the file
//! multiplies the light of every pixel by its gain.
//!
//! Source: DNG specification 1.7, chapter on opcode lists (OpcodeList2, opcode 9 GainMap; from memory, beside what
//! exiftool 12.57 tells of such lists). One map for each patch, with a point at the middle of every pixel, so that nothing
//! is left to interpolation. Opcode lists are most significant byte first, whatever the file's own order.

use std::path::Path;

use super::{Layouts, PREVIEW_LEFT, directory_of, place, previews};
use crate::error::FrameError;
use crate::frame::{Encoding, Frame, Patch};
use crate::ifd::{Directory, tag};
use crate::read::active_area;
use crate::space::Rect;
use crate::write::delta::Delta;
use crate::write::edits::Edits;
use crate::write::source::Source;
use crate::write::{Written, footprint};

const GAIN_MAP: u32 = 9;
/// DNG 1.3.0.0, which brought the opcode.
const SINCE: u32 = 0x0103_0000;
/// Flag of an opcode: who does not know it may pass it over.
const OPTIONAL: u32 = 1;
/// Longest opcode list that is looked at, bytes.
const MOST_BYTES: u64 = 1 << 28;
/// Field type of bytes without a meaning to TIFF.
const UNDEFINED: u64 = 7;

/// What is no DNG is refused.
pub(in crate::write) fn no_dng(source: &Source) -> FrameError {
    source.unsupported("gain maps can stand in a DNG only", "mend it without gain maps")
}

/// Writes the copy; `patches` as for [`crate::write_mended`], `deltas` made from them for the previews.
pub(in crate::write) fn write(
    source: &Source,
    frame: &Frame,
    patches: &[Patch],
    deltas: &[Delta],
    out: &Path,
) -> Result<Written, FrameError> {
    let mut file = Layouts::read(source)?;
    if !matches!(frame.encoding, Encoding::Levels { .. }) || !file.directories[0].has(tag::DNG_VERSION) {
        return Err(no_dng(source));
    }
    let d = directory_of(&mut file, frame, true)?;
    refuse_earlier_maps(&mut file, &d)?;
    let area = active_area(&mut file.tiff, &d, frame.shot.recorded);
    let crop = frame.shot.crop;
    if crop.x < area.x || crop.y < area.y || crop.right() > area.right() || crop.bottom() > area.bottom() {
        return Err(source.mismatch("the frame reaches past the file's active area"));
    }
    let maps: Vec<Map> = (0..patches.len()).filter_map(|i| Map::of(frame, &patches[i], &patches[i + 1..])).collect();
    let mut edits = Edits::new(source);
    let mut notes = Vec::new();
    if !maps.is_empty() {
        let earlier = file.tiff.bytes(&d, tag::OPCODE_LIST_2, MOST_BYTES);
        let whole = !d.has(tag::OPCODE_LIST_2) || !earlier.is_empty();
        let list = whole.then(|| opcode_list(&maps, (crop.x - area.x, crop.y - area.y), area, &earlier)).flatten();
        let list = list.ok_or_else(|| source.broken("its second opcode list is damaged"))?;
        attach(&file, &d, &mut edits, &list)?;
        notes.push(NOT_PROVED.to_owned());
        if previews::mend(&mut file, d.at, frame, deltas, &mut edits)? > 0 {
            notes.push(PREVIEW_LEFT.to_owned());
        }
    }
    let undo = place(source, frame, &edits, out)?;
    let pixels_changed = maps.iter().map(Map::pixels).sum();
    Ok(Written { pixels_changed, footprint: footprint(deltas), notes, undo })
}

/// What a person must know of such a copy.
const NOT_PROVED: &str = "The sensor data are the original's; the correction stands beside them as gain maps. Not proved: no \
    independent reader that applies gain maps was at hand, and a program that passes them over still shows the shadows.";

/// The gains under one patch.
struct Map {
    /// Its pixels in the frame.
    window: Rect,
    /// Row by row, the planes of a pixel side by side.
    gains: Vec<f32>,
    planes: usize,
}

impl Map {
    /// `None` if nothing changes. Where two patches overlap, the later one counts. Light of nothing cannot be multiplied
    /// into something and stays.
    fn of(frame: &Frame, patch: &Patch, later: &[Patch]) -> Option<Map> {
        let w = patch.window;
        let masked = |p: &Patch, x: usize, y: usize| {
            let inside = (p.window.x..p.window.right()).contains(&x) && (p.window.y..p.window.bottom()).contains(&y);
            inside && p.mask.at(x - p.window.x, y - p.window.y)
        };
        let gain = |plane: usize, x: usize, y: usize| {
            if !masked(patch, x, y) || later.iter().any(|p| masked(p, x, y)) {
                return 1.0;
            }
            let gain = patch.planes[plane].at(x - w.x, y - w.y) / frame.planes.at(plane, x, y);
            if gain.is_finite() && gain > 0.0 { gain } else { 1.0 }
        };
        let planes = frame.planes.len();
        let places = (w.y..w.bottom()).flat_map(|y| (w.x..w.right()).map(move |x| (x, y)));
        let all = places.flat_map(|(x, y)| (0..planes).map(move |p| (p, x, y))).map(|(p, x, y)| gain(p, x, y));
        let all: Vec<f32> = all.collect();
        let at = |x: usize, y: usize| &all[((y - w.y) * w.width + x - w.x) * planes..][..planes];
        let changed = |x: usize, y: usize| at(x, y).iter().any(|&g| g != 1.0);
        let rows = (w.y..w.bottom()).filter(|&y| (w.x..w.right()).any(|x| changed(x, y)));
        let columns = (w.x..w.right()).filter(|&x| (w.y..w.bottom()).any(|y| changed(x, y)));
        let ((top, bottom), (left, right)) = (ends(rows)?, ends(columns)?);
        let window = Rect { x: left, y: top, width: right - left + 1, height: bottom - top + 1 };
        let places = (top..=bottom).flat_map(|y| (left..=right).map(move |x| (x, y)));
        let gains = places.flat_map(|(x, y)| at(x, y)).copied().collect();
        Some(Map { window, gains, planes })
    }

    fn pixels(&self) -> usize {
        self.gains.chunks(self.planes).filter(|gains| gains.iter().any(|&g| g != 1.0)).count()
    }

    /// The opcode. `origin`: where the frame begins in the active area, which is `area` large.
    fn opcode(&self, origin: (usize, usize), area: Rect) -> Vec<u8> {
        let (w, planes) = (self.window, self.planes as u32);
        let (left, top) = ((w.x + origin.0) as u32, (w.y + origin.1) as u32);
        let (across, down) = (w.width as u32, w.height as u32);
        let mut body = Vec::with_capacity(76 + 4 * self.gains.len());
        // Top, Left, Bottom, Right; Plane, Planes; RowPitch, ColPitch; MapPointsV, MapPointsH.
        for n in [top, left, top + down, left + across, 0, planes, 1, 1, down, across] {
            body.extend(n.to_be_bytes());
        }
        // MapSpacingV, MapSpacingH, MapOriginV, MapOriginH, in heights and widths of the area; the middle of a pixel is its place.
        let (height, width) = (area.height as f64, area.width as f64);
        for share in [1.0 / height, 1.0 / width, (f64::from(top) + 0.5) / height, (f64::from(left) + 0.5) / width] {
            body.extend(share.to_be_bytes());
        }
        body.extend(planes.to_be_bytes());
        self.gains.iter().for_each(|g| body.extend(g.to_be_bytes()));
        let mut opcode = Vec::with_capacity(16 + body.len());
        for n in [GAIN_MAP, SINCE, OPTIONAL, body.len() as u32] {
            opcode.extend(n.to_be_bytes());
        }
        opcode.extend(body);
        opcode
    }
}

fn ends(mut all: impl DoubleEndedIterator<Item = usize>) -> Option<(usize, usize)> {
    let first = all.next()?;
    Some((first, all.next_back().unwrap_or(first)))
}

/// The maps before what an earlier list holds: a shadow is light lost on its way to the sensor, before anything that a
/// maker's opcodes make of it. `None` if the earlier list is too short for its count.
fn opcode_list(maps: &[Map], origin: (usize, usize), area: Rect, earlier: &[u8]) -> Option<Vec<u8>> {
    let (count, rest) = match earlier {
        [] => (0, earlier),
        _ => earlier.split_first_chunk::<4>().map(|(count, rest)| (u32::from_be_bytes(*count), rest))?,
    };
    let mut list = count.checked_add(maps.len() as u32)?.to_be_bytes().to_vec();
    maps.iter().for_each(|m| list.extend(m.opcode(origin, area)));
    list.extend(rest);
    Some(list)
}

/// A copy that was mended by gain maps still holds its shadows in the sensor data: they would be taken out twice.
pub(super) fn refuse_earlier_maps(file: &mut Layouts, d: &Directory) -> Result<(), FrameError> {
    let list = file.tiff.bytes(d, tag::OPCODE_LIST_2, MOST_BYTES);
    let number = |i: usize| list.get(4 * i..4 * i + 4)?.try_into().ok().map(u32::from_be_bytes);
    // The words of the list: its count; id, version, flags, length; the ten of the map, `top` first.
    let [top, left, bottom, right, down, across] = [5, 6, 7, 8, 13, 14].map(|i| number(i).unwrap_or(0));
    let by_pixel = number(1) == Some(GAIN_MAP)
        && down > 0
        && bottom.checked_sub(top) == Some(down)
        && right.checked_sub(left) == Some(across);
    match by_pixel {
        true => Err(file.source.unsupported("it was mended by gain maps before", "mend its original")),
        false => Ok(()),
    }
}

/// Makes `list` the directory's second opcode list. A directory that had none is written anew at the end of the file, and
/// all that pointed to it points there.
fn attach(file: &Layouts, d: &Directory, edits: &mut Edits, list: &[u8]) -> Result<(), FrameError> {
    let source = file.source;
    let (count_size, entry_size, offset_size) = file.widths();
    let full = || source.unsupported("the copy would grow past what its offsets can hold", "save it as BigTIFF");
    let number = |n: u64, size: u64| file.encoded(n, size).ok_or_else(full);
    let list_at = edits.append(list);
    let mut entry = number(tag::OPCODE_LIST_2.into(), 2)?;
    entry.extend(number(UNDEFINED, 2)?);
    entry.extend(number(list.len() as u64, offset_size)?);
    entry.extend(number(list_at, offset_size)?);

    let (mut entries, link) = file.table(d, edits)?;
    if let Some(i) = entries.iter().position(|e| file.tag_of(e) == tag::OPCODE_LIST_2) {
        return edits.replace(d.at + count_size + i as u64 * entry_size, &entry);
    }
    let place = entries.partition_point(|e| file.tag_of(e) < tag::OPCODE_LIST_2);
    entries.insert(place, entry);
    let mut new = number(entries.len() as u64, count_size)?;
    new.extend(entries.concat());
    new.extend(link);
    let new_at = number(edits.append(&new), offset_size)?;
    let pointers = pointers_to(file, d.at)?;
    if pointers.is_empty() {
        return Err(source.broken("nothing points to its raw picture"));
    }
    pointers.into_iter().try_for_each(|at| edits.replace(at, &new_at))
}

/// Where the file holds the place of a directory: its head, the links between directories, their tables of sub-directories.
fn pointers_to(file: &Layouts, directory: u64) -> Result<Vec<u64>, FrameError> {
    let (count_size, entry_size, offset_size) = file.widths();
    let mut slots = vec![offset_size];
    for d in &file.directories {
        slots.push(d.at + count_size + file.entry_count(d)? * entry_size);
        if let Some(below) = d.entries.get(&tag::SUB_IFDS).filter(|e| e.value_bytes() == offset_size) {
            slots.extend((0..below.count).map(|i| below.at + i * offset_size));
        }
    }
    let mut found = Vec::new();
    for at in slots {
        // An Exif block may end with its last entry, without a link.
        let held = at + offset_size <= file.source.len();
        if held && file.tiff.number(&file.source.bytes(at, offset_size)?) == directory {
            found.push(at);
        }
    }
    Ok(found)
}
