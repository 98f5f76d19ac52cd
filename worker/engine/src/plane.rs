//! Minutes of samples, in memory that is asked for in large pages.
//!
//! The kernel hands memory out as it is first touched, and for every page it clears, accounts and
//! maps one: for a mix put aside that costs more than the copying. So the memory of planes that are
//! done with is kept for the next ones, a little of it, and the kernel is told that it may have it
//! back whenever it is short.

use std::mem::MaybeUninit;
use std::ops::Deref;
use std::sync::Mutex;

/// Samples in a large page of the usual processors, two mebibytes.
const PAGE_SAMPLES: usize = 1 << 19;

/// One large page, aligned as only a whole one can be.
#[repr(C, align(2097152))]
struct Page([MaybeUninit<f32>; PAGE_SAMPLES]);

/// Samples one behind the other.
pub struct Plane(Memory);

enum Memory {
    Plain(Vec<f32>),
    /// The first `len` samples of the pages are written.
    Large {
        pages: Vec<Page>,
        len: usize,
    },
}

impl Plane {
    /// An empty plane with room for some samples; for few it is an ordinary vector.
    #[must_use]
    pub fn with_room(samples: usize) -> Self {
        if samples <= PAGE_SAMPLES / 2 {
            return Self(Memory::Plain(Vec::with_capacity(samples)));
        }
        let count = samples.div_ceil(PAGE_SAMPLES);
        let pages = spare(count).unwrap_or_else(|| {
            let mut pages = Vec::new();
            add_room(&mut pages, count);
            pages
        });
        Self(Memory::Large { pages, len: 0 })
    }

    /// Takes all samples out and has room for some; memory that is enough stays.
    pub fn begin(&mut self, samples: usize) {
        let room = match &mut self.0 {
            Memory::Plain(samples) => {
                samples.clear();
                samples.capacity()
            }
            Memory::Large { pages, len } => {
                *len = 0;
                pages.len() * PAGE_SAMPLES
            }
        };
        if room < samples {
            *self = Self::with_room(samples);
        }
    }

    /// Appends samples.
    pub fn append(&mut self, more: &[f32]) {
        match &mut self.0 {
            Memory::Plain(samples) => samples.extend_from_slice(more),
            Memory::Large { pages, len } => {
                let end = *len + more.len();
                let short = end.div_ceil(PAGE_SAMPLES).saturating_sub(pages.len());
                if short > 0 {
                    add_room(pages, short);
                }
                // SAFETY: the pages lie one behind the other without gaps and have room up to
                // `end`; what was appended comes from elsewhere, since the pages are borrowed.
                #[allow(unsafe_code)]
                unsafe {
                    let to = pages.as_mut_ptr().cast::<f32>().add(*len);
                    std::ptr::copy_nonoverlapping(more.as_ptr(), to, more.len());
                }
                *len = end;
            }
        }
    }
}

impl Deref for Plane {
    type Target = [f32];

    fn deref(&self) -> &[f32] {
        match &self.0 {
            Memory::Plain(samples) => samples,
            // SAFETY: `len` samples have been written, from the first page's beginning on.
            #[allow(unsafe_code)]
            Memory::Large { pages, len } => unsafe {
                std::slice::from_raw_parts(pages.as_ptr().cast::<f32>(), *len)
            },
        }
    }
}

impl From<Vec<f32>> for Plane {
    fn from(samples: Vec<f32>) -> Self {
        Self(Memory::Plain(samples))
    }
}

impl Default for Plane {
    fn default() -> Self {
        Vec::new().into()
    }
}

impl Drop for Plane {
    fn drop(&mut self) {
        if let Memory::Large { pages, .. } = &mut self.0 {
            put_by(std::mem::take(pages));
        }
    }
}

/// Pages of planes that are done with: at most those of a mix that is held in memory.
static SPARE: Mutex<Vec<Vec<Page>>> = Mutex::new(Vec::new());
const MOST_SPARE_PAGES: usize = 48;

fn spare(count: usize) -> Option<Vec<Page>> {
    let mut spare = SPARE.lock().ok()?;
    let at = spare.iter().rposition(|pages| pages.len() == count)?;
    Some(spare.swap_remove(at))
}

fn put_by(mut pages: Vec<Page>) {
    let Ok(mut spare) = SPARE.lock() else { return };
    if spare.iter().map(Vec::len).sum::<usize>() + pages.len() <= MOST_SPARE_PAGES {
        advise(&mut pages, Advice::Spare);
        spare.push(pages);
    }
}

/// What the kernel is told of some pages.
#[derive(Clone, Copy)]
enum Advice {
    /// They are best had as large ones.
    Large,
    /// What lies in them is wanted no more.
    Spare,
}

fn add_room(pages: &mut Vec<Page>, count: usize) {
    pages.reserve_exact(count);
    let length = pages.len();
    // SAFETY: there is room for them, and a page may hold anything.
    #[allow(unsafe_code)]
    unsafe {
        pages.set_len(length + count);
    }
    advise(&mut pages[length..], Advice::Large);
}

/// A kernel that does not know the advice goes on without.
#[cfg(target_os = "linux")]
fn advise(pages: &mut [Page], advice: Advice) {
    let advice = match advice {
        Advice::Large => rustix::mm::Advice::LinuxHugepage,
        Advice::Spare => rustix::mm::Advice::LinuxFree,
    };
    // SAFETY: the range is ours and begins and ends at borders of pages. What lies in spare pages
    // may become zeros at any time until they are written, and a page may hold anything.
    #[allow(unsafe_code)]
    let _ = unsafe {
        rustix::mm::madvise(pages.as_mut_ptr().cast(), std::mem::size_of_val(pages), advice)
    };
}

#[cfg(not(target_os = "linux"))]
fn advise(_: &mut [Page], _: Advice) {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_appended_lies_there_in_order_across_the_borders_of_pages() {
        for room in [0, 1000, PAGE_SAMPLES / 2 + 1, 2 * PAGE_SAMPLES] {
            let (mut plane, mut plain) = (Plane::with_room(room), Vec::new());
            for round in 0..2 {
                for at in 0..70u32 {
                    let more: Vec<f32> = (0..20_000).map(|n| (at * n + round) as f32).collect();
                    let count = if at % 3 == 0 { 19_999 } else { 20_000 };
                    plane.append(&more[..count]);
                    plain.extend_from_slice(&more[..count]);
                }
                assert!(*plane == *plain, "with room for {room}");
                plane.begin(room * 2);
                plain.clear();
                assert!(plane.is_empty());
            }
        }
    }

    #[test]
    fn memory_that_is_used_again_holds_nothing_of_what_was_in_it() {
        for round in 0..20u32 {
            let mut planes: Vec<Plane> = (0..4).map(|_| Plane::with_room(PAGE_SAMPLES)).collect();
            for (number, plane) in planes.iter_mut().enumerate() {
                assert!(plane.is_empty());
                plane.append(&vec![(4 * round) as f32 + number as f32; 300_000]);
            }
            for (number, plane) in planes.iter().enumerate() {
                let wanted = (4 * round) as f32 + number as f32;
                assert!(plane.len() == 300_000 && plane.iter().all(|sample| *sample == wanted));
            }
        }
        assert!(SPARE.lock().is_ok_and(|spare| spare.len() <= MOST_SPARE_PAGES));
    }

    #[test]
    fn a_vector_becomes_a_plane_as_it_is() {
        assert_eq!(*Plane::from(vec![1.0, 2.0]), [1.0, 2.0]);
        assert!(Plane::default().is_empty());
    }
}
