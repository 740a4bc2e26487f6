//! The pictures of a shoot sorted by exposure, body and time.

use std::collections::BTreeMap;
use std::path::PathBuf;

use motelight_frame::{Body, FileKind};

use crate::jobs::trace::PictureFile;

/// Raw and rendered files of one exposure, told by folder and name, become one picture. The rendered one is measured: it
/// is read faster.
pub(super) fn pairs_joined(files: Vec<(PictureFile, FileKind)>) -> Vec<PictureFile> {
    let mut joined: BTreeMap<PathBuf, Vec<(PictureFile, FileKind)>> = BTreeMap::new();
    for (file, kind) in files {
        joined.entry(file.path.with_extension("")).or_default().push((file, kind));
    }
    let mut all = Vec::new();
    for (_, mut same) in joined {
        let raw = |kind: FileKind| matches!(kind, FileKind::Raw | FileKind::Dng);
        same.sort_by_key(|(_, kind)| raw(*kind));
        let mut same = same.into_iter();
        while let Some((mut file, kind)) = same.next() {
            let rest: Vec<_> = same.by_ref().collect();
            let (twins, others): (Vec<_>, Vec<_>) = rest.into_iter().partition(|(o, k)| {
                raw(*k) && !raw(kind) && o.shot.taken == file.shot.taken && o.shot.body == file.shot.body
            });
            file.also = twins.into_iter().map(|(f, _)| f.path).collect();
            all.push(file);
            same = others.into_iter();
        }
    }
    all
}

/// Pictures sorted by body, each body's by time and name. Pictures that tell no body are taken for one body if they
/// have the same size. Of one body's pictures, those of another size than most are left out: they were cropped or resized.
pub(super) fn by_body(files: Vec<PictureFile>, left_out: &mut Vec<(PathBuf, String)>) -> Vec<Vec<PictureFile>> {
    type Key = (Option<Body>, Option<(usize, usize)>);
    let size = |f: &PictureFile| (f.shot.crop.width, f.shot.crop.height);
    let mut groups: BTreeMap<Key, Vec<PictureFile>> = BTreeMap::new();
    for file in files {
        let key = (file.shot.body.clone(), file.shot.body.is_none().then(|| size(&file)));
        groups.entry(key).or_default().push(file);
    }
    groups
        .into_values()
        .map(|mut group| {
            let mut counts: BTreeMap<(usize, usize), usize> = BTreeMap::new();
            group.iter().for_each(|f| *counts.entry(size(f)).or_default() += 1);
            let usual = counts.iter().max_by_key(|(size, n)| (**n, **size)).map(|(size, _)| *size);
            // Raw and rendered files of one body differ by a few pixels.
            let near = |a: usize, b: usize| a.abs_diff(b) <= 16.max(a / 100);
            group.retain(|f| {
                let fits = usual.is_none_or(|(w, h)| near(w, size(f).0) && near(h, size(f).1));
                if !fits {
                    let (w, h) = size(f);
                    left_out.push((
                        f.path.clone(),
                        format!("it is {w} x {h} px, unlike most of its body's pictures: cropped or resized"),
                    ));
                }
                fits
            });
            group.sort_by(|a, b| (&a.shot.taken, &a.path).cmp(&(&b.shot.taken, &b.path)));
            group
        })
        .collect()
}
