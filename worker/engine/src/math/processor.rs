//! What the processor at hand can do.

/// Whether it has vectors of eight numbers that are multiplied and added unrounded at once: AVX2
/// and FMA. What is done in them must come out the same on any other machine.
pub(crate) fn has_fused_vectors() -> bool {
    #[cfg(target_arch = "x86_64")]
    return std::is_x86_feature_detected!("avx2") && std::is_x86_feature_detected!("fma");
    #[cfg(not(target_arch = "x86_64"))]
    false
}

/// Whether it has the like of sixteen numbers too: AVX-512, its foundation.
pub(crate) fn has_wide_vectors() -> bool {
    #[cfg(target_arch = "x86_64")]
    return has_fused_vectors() && std::is_x86_feature_detected!("avx512f");
    #[cfg(not(target_arch = "x86_64"))]
    false
}
