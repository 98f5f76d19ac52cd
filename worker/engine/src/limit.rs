//! A true-peak limiter with look-ahead.
