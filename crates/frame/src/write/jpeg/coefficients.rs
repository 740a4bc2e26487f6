//! The coefficients of a JPEG, read, changed and written through libjpeg's transcoding interface.
//!
//! The only unsafe code of the project. Why it is sound: the structures are boxed, so they never move while the
//! library points into them; they are destroyed exactly once, on drop; the library's errors unwind (it is built
//! with unwind tables) and are caught here, after which the structures are only destroyed; a script has no more
//! scans than the library has room for; block rows are asked for within the bounds the library itself states; its
//! arrays live in the decompressor, which outlives every use.
#![allow(unsafe_code)]

use std::os::raw::c_int;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::{mem, ptr};

use mozjpeg_sys::*;

use super::anatomy::{MOST_SCANS, Scan, Tables};

/// Coefficients of one block in natural order (rows of rising vertical frequency).
pub(in crate::write) type Block = [i16; 64];

/// What a writer needs besides the coefficients.
pub(in crate::write) struct Plan<'a> {
    /// Huffman tables to be used; `None`: the best ones, made anew.
    pub(in crate::write) tables: Option<&'a Tables>,
    /// Scans; none: one of everything.
    pub(in crate::write) scans: &'a [Scan],
    /// MCUs between restart markers, 0 for none.
    pub(in crate::write) restart_interval: u32,
}

struct LibraryError(c_int);

extern "C-unwind" fn error_exit(info: &mut jpeg_common_struct) {
    // SAFETY: the library calls this with the error manager we gave it.
    let code = unsafe { (*info.err).msg_code };
    // Not a panic of ours: unwinds without the panic message on standard error.
    resume_unwind(Box::new(LibraryError(code)));
}

extern "C-unwind" fn emit_message(info: &mut jpeg_common_struct, level: c_int) {
    if level < 0 {
        // SAFETY: as above.
        unsafe { (*info.err).num_warnings += 1 };
    }
}

fn guarded<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(work)).map_err(|cause| match cause.downcast::<LibraryError>() {
        Ok(e) => format!("the JPEG library stopped with error {}", e.0),
        Err(_) => "the JPEG library stopped".into(),
    })
}

fn error_manager() -> Box<jpeg_error_mgr> {
    // SAFETY: all-zero is a valid value of this plain C structure; the library fills it.
    let mut manager: Box<jpeg_error_mgr> = Box::new(unsafe { mem::zeroed() });
    unsafe { jpeg_std_error(&mut manager) };
    manager.error_exit = Some(error_exit);
    manager.emit_message = Some(emit_message);
    manager
}

/// All coefficients of a JPEG.
pub(in crate::write) struct Coefficients {
    info: Box<jpeg_decompress_struct>,
    errors: Box<jpeg_error_mgr>,
    arrays: *mut *mut jvirt_barray_control,
}

impl Drop for Coefficients {
    fn drop(&mut self) {
        // SAFETY: created in `read`, destroyed only here.
        unsafe { jpeg_destroy_decompress(&mut self.info) };
    }
}

impl Coefficients {
    /// Reads a whole JPEG; any warning of the library (damage, early end) is an error.
    pub(in crate::write) fn read(source: &[u8]) -> Result<Self, String> {
        let mut errors = error_manager();
        // SAFETY: all-zero is a valid value of this plain C structure.
        let mut info: Box<jpeg_decompress_struct> = Box::new(unsafe { mem::zeroed() });
        info.common.err = &mut *errors;
        guarded(|| unsafe { jpeg_create_decompress(&mut *info) })?;
        let mut all = Coefficients { info, errors, arrays: ptr::null_mut() };
        let info = &mut all.info;
        // SAFETY: `source` outlives the reading, which is over when `jpeg_read_coefficients` returns.
        all.arrays = guarded(|| unsafe {
            jpeg_mem_src(info, source.as_ptr(), source.len() as _);
            jpeg_read_header(info, 1);
            jpeg_read_coefficients(info)
        })?;
        if all.arrays.is_null() || all.errors.num_warnings != 0 {
            return Err("the JPEG is damaged or ends early".into());
        }
        Ok(all)
    }

    /// Columns and rows of blocks of a component, `None` past the last component.
    pub(in crate::write) fn blocks(&self, component: usize) -> Option<(usize, usize)> {
        if component >= usize::try_from(self.info.num_components).unwrap_or(0) {
            return None;
        }
        // SAFETY: the library holds `num_components` of them.
        let c = unsafe { &*self.info.comp_info.add(component) };
        Some((c.width_in_blocks as usize, c.height_in_blocks as usize))
    }

    /// One row of a component's blocks, to be changed; empty outside.
    pub(in crate::write) fn row(&mut self, component: usize, row: usize) -> Result<&mut [Block], String> {
        let Some((columns, rows)) = self.blocks(component).filter(|&(_, rows)| row < rows) else {
            return Ok(&mut []);
        };
        debug_assert!(row < rows);
        let (info, arrays) = (&mut self.info, self.arrays);
        // SAFETY: component and row are within bounds, the row holds `columns` blocks at least, and the borrow
        // of `self` keeps everything else away from it.
        guarded(|| unsafe {
            let array = *arrays.add(component);
            let access =
                (*info.common.mem).access_virt_barray.map(|access| access(&mut info.common, array, row as u32, 1, 1));
            access
                .filter(|rows| !rows.is_null())
                .map_or(&mut [][..], |rows| std::slice::from_raw_parts_mut(*rows, columns))
        })
    }

    /// Whether every coefficient is the same as in `other`.
    pub(in crate::write) fn same_as(&mut self, other: &mut Coefficients) -> Result<bool, String> {
        for component in 0.. {
            let Some(size) = self.blocks(component) else { return Ok(other.blocks(component).is_none()) };
            if other.blocks(component) != Some(size) {
                return Ok(false);
            }
            for row in 0..size.1 {
                if self.row(component, row)? != other.row(component, row)? {
                    return Ok(false);
                }
            }
        }
        Ok(true)
    }

    /// A whole JPEG stream of these coefficients, without the source's markers.
    pub(in crate::write) fn write(&mut self, plan: &Plan) -> Result<Vec<u8>, String> {
        // The library keeps notes of every scan in an array of this size without looking.
        if plan.scans.len() > MOST_SCANS {
            return Err("too many scans".into());
        }
        let mut writer = Writer::new()?;
        let scans: Vec<jpeg_scan_info> = plan.scans.iter().map(scan_info).collect();
        let (from, arrays) = (&self.info, self.arrays);
        let info = &mut writer.info;
        // SAFETY: source and destination structures are set up; `scans` and the arrays outlive the writing,
        // which is over when `jpeg_finish_compress` returns.
        guarded(|| unsafe {
            jpeg_c_set_int_param(info, JINT_COMPRESS_PROFILE, JCP_FASTEST as c_int);
            jpeg_copy_critical_parameters(from, info);
            info.optimize_coding = c_int::from(plan.tables.is_none());
            info.restart_interval = plan.restart_interval;
            info.write_JFIF_header = 0;
            info.write_Adobe_marker = 0;
            if let Some(tables) = plan.tables {
                use_tables(info, tables);
            }
            if !scans.is_empty() {
                info.num_scans = scans.len() as c_int;
                info.scan_info = scans.as_ptr();
            }
            jpeg_write_coefficients(info, arrays);
            jpeg_finish_compress(info);
        })?;
        Ok(mem::take(&mut writer.destination.written))
    }
}

fn scan_info(scan: &Scan) -> jpeg_scan_info {
    let mut component_index = [0; 4];
    for (to, from) in component_index.iter_mut().zip(&scan.components) {
        *to = *from as c_int;
    }
    jpeg_scan_info {
        comps_in_scan: scan.components.len() as c_int,
        component_index,
        Ss: scan.spectral.0.into(),
        Se: scan.spectral.1.into(),
        Ah: scan.approximation.0.into(),
        Al: scan.approximation.1.into(),
    }
}

/// SAFETY: `info` must have its component table, as after `jpeg_copy_critical_parameters`.
unsafe fn use_tables(info: &mut jpeg_compress_struct, tables: &Tables) {
    for slot in 0..4 {
        for (to, from) in
            [(&mut info.dc_huff_tbl_ptrs[slot], &tables.dc[slot]), (&mut info.ac_huff_tbl_ptrs[slot], &tables.ac[slot])]
        {
            let Some(from) = from else { continue };
            // SAFETY: the library's own allocation, freed with the structure.
            unsafe {
                if to.is_null() {
                    *to = jpeg_alloc_huff_table(&mut info.common);
                }
                (**to).bits = from.bits;
                (**to).huffval = from.values;
            }
        }
    }
    for (i, &(dc, ac)) in tables.selectors.iter().enumerate().take(usize::try_from(info.num_components).unwrap_or(0)) {
        // SAFETY: `i` is less than the number of components.
        let component = unsafe { &mut *info.comp_info.add(i) };
        component.dc_tbl_no = dc.into();
        component.ac_tbl_no = ac.into();
    }
}

const BUFFER: usize = 1 << 16;

/// Where the library writes to. `manager` stands first, so that the library's pointer to it is one to this.
#[repr(C)]
struct Destination {
    manager: jpeg_destination_mgr,
    written: Vec<u8>,
    buffer: Box<[u8; BUFFER]>,
}

extern "C-unwind" fn init_destination(info: &mut jpeg_compress_struct) {
    // SAFETY: `dest` was set to a `Destination` in `Writer::new`.
    let destination = unsafe { &mut *info.dest.cast::<Destination>() };
    destination.manager.next_output_byte = destination.buffer.as_mut_ptr();
    destination.manager.free_in_buffer = BUFFER;
}

extern "C-unwind" fn empty_output_buffer(info: &mut jpeg_compress_struct) -> boolean {
    // SAFETY: as above.
    let destination = unsafe { &mut *info.dest.cast::<Destination>() };
    destination.written.extend_from_slice(&destination.buffer[..]);
    init_destination(info);
    1
}

extern "C-unwind" fn term_destination(info: &mut jpeg_compress_struct) {
    // SAFETY: as above.
    let destination = unsafe { &mut *info.dest.cast::<Destination>() };
    let used = BUFFER - destination.manager.free_in_buffer.min(BUFFER);
    destination.written.extend_from_slice(&destination.buffer[..used]);
}

struct Writer {
    info: Box<jpeg_compress_struct>,
    destination: Box<Destination>,
    _errors: Box<jpeg_error_mgr>,
}

impl Drop for Writer {
    fn drop(&mut self) {
        // SAFETY: created in `new`, destroyed only here.
        unsafe { jpeg_destroy_compress(&mut self.info) };
    }
}

impl Writer {
    fn new() -> Result<Self, String> {
        let mut errors = error_manager();
        // SAFETY: all-zero is a valid value of this plain C structure.
        let mut info: Box<jpeg_compress_struct> = Box::new(unsafe { mem::zeroed() });
        info.common.err = &mut *errors;
        guarded(|| unsafe { jpeg_create_compress(&mut *info) })?;
        let manager = jpeg_destination_mgr {
            next_output_byte: ptr::null_mut(),
            free_in_buffer: 0,
            init_destination: Some(init_destination),
            empty_output_buffer: Some(empty_output_buffer),
            term_destination: Some(term_destination),
        };
        let mut destination = Box::new(Destination { manager, written: Vec::new(), buffer: Box::new([0; BUFFER]) });
        info.dest = (&raw mut *destination).cast();
        Ok(Writer { info, destination, _errors: errors })
    }
}
