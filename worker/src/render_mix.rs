//! Sums the stems under the arrangement map and masters the result.
