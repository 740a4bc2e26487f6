//! Sums over many values, eight side by side, so that vector instructions take several in one; the same to the last bit with all of
//! them. Called inside [`motelight_frame::widest`].

const LANES: usize = 8;

/// Sum of products of two slices of one length.
#[inline(always)]
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let ((a, a_rest), (b, b_rest)) = (a.as_chunks::<LANES>(), b.as_chunks::<LANES>());
    let mut sums = [0.0; LANES];
    a.iter().zip(b).for_each(|(a, b)| (0..LANES).for_each(|k| sums[k] += a[k] * b[k]));
    sums.iter().sum::<f64>() + a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum::<f64>()
}

/// Sum of a slice.
#[inline(always)]
pub(crate) fn sum(a: &[f64]) -> f64 {
    let (a, rest) = a.as_chunks::<LANES>();
    let mut sums = [0.0; LANES];
    a.iter().for_each(|a| (0..LANES).for_each(|k| sums[k] += a[k]));
    sums.iter().chain(rest).sum()
}
