//! Where the pictures of a shoot wait until they are asked again: the first in memory, further ones in a file that goes
//! away with it.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::sync::{Arc, Mutex};

use motelight_frame::{Plane, Size};
use motelight_motes::trace::View;

/// Memory for pictures that wait, bytes.
const IN_MEMORY: usize = 128 << 20;

/// Pictures in the order they were put.
#[derive(Debug, Default)]
pub(super) struct Shelf {
    places: Vec<Place>,
    in_memory: usize,
    file: Option<Mutex<File>>,
    length: u64,
}

#[derive(Debug)]
enum Place {
    Memory(Arc<View>),
    /// All but its cells, and where in the file those lie.
    File(Arc<View>, Size, u64),
    /// Could not be kept: it is left out of what is asked again.
    Lost,
}

impl Shelf {
    /// Keeps a picture.
    pub(super) fn put(&mut self, view: View) {
        let bytes = 2 * view.ln.size().area();
        if self.in_memory + bytes <= IN_MEMORY {
            self.in_memory += bytes;
            self.places.push(Place::Memory(Arc::new(view)));
            return;
        }
        let place = self.write(view).unwrap_or(Place::Lost);
        self.places.push(place);
    }

    fn write(&mut self, mut view: View) -> std::io::Result<Place> {
        if self.file.is_none() {
            self.file = Some(Mutex::new(tempfile::tempfile()?));
        }
        let size = view.ln.size();
        let cells = std::mem::replace(&mut view.ln, Plane::filled(Size { width: 0, height: 0 }, 0));
        let at = self.length;
        let bytes: &[u8] = bytemuck::cast_slice(cells.data());
        if let Some(Ok(file)) = self.file.as_mut().map(Mutex::get_mut) {
            file.seek(SeekFrom::Start(at))?;
            file.write_all(bytes)?;
        }
        self.length += bytes.len() as u64;
        Ok(Place::File(Arc::new(view), size, at))
    }

    /// Gives a picture back.
    pub(super) fn get(&self, k: usize) -> Option<Arc<View>> {
        match self.places.get(k)? {
            Place::Memory(view) => Some(Arc::clone(view)),
            Place::Lost => None,
            Place::File(rest, size, at) => {
                let mut cells = vec![0i16; size.area()];
                {
                    let mut file = self.file.as_ref()?.lock().ok()?;
                    file.seek(SeekFrom::Start(*at)).ok()?;
                    file.read_exact(bytemuck::cast_slice_mut(&mut cells)).ok()?;
                }
                Some(Arc::new(View { ln: Plane::from_vec(*size, cells), ..View::clone(rest) }))
            }
        }
    }
}
