//! Exact numbers: fractions that are never rounded on the way.

use num_rational::{BigRational, Ratio};

/// A stretch of music in whole notes, or a number a person wrote: small, exact.
pub(crate) type Fraction = Ratio<i128>;

/// The largest numerator or denominator a document may write.
pub(crate) const LARGEST_PART: i128 = 1_000_000_000_000;

/// Reads `132`, `-0.5`, `97.25` or `60000000/454545` without rounding; `None` if it is none of
/// these, has a part above 10¹², or divides by nothing.
pub(crate) fn parse_fraction(text: &str) -> Option<Fraction> {
    let text = text.trim();
    let fraction = match text.split_once('/') {
        Some((above, below)) => {
            let below = parse_decimal(below.trim())?;
            if *below.numer() == 0 {
                return None;
            }
            parse_decimal(above.trim())? / below
        }
        None => parse_decimal(text)?,
    };
    let fits = fraction.numer().abs() <= LARGEST_PART && *fraction.denom() <= LARGEST_PART;
    fits.then_some(fraction)
}

/// Reads a decimal number such as `-12.375` exactly. At most 12 digits on each side of the point,
/// so that neither the parse nor a division of two of them leaves 128 bits.
fn parse_decimal(text: &str) -> Option<Fraction> {
    let (negative, digits) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let plain = |digits: &str| digits.len() <= 12 && digits.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || !plain(whole) || !plain(part) || (digits.ends_with('.')) {
        return None;
    }
    let scale = 10_i128.pow(part.len() as u32);
    let whole: i128 = whole.parse().ok()?;
    let part: i128 = if part.is_empty() { 0 } else { part.parse().ok()? };
    let value = Fraction::new(whole * scale + part, scale);
    Some(if negative { -value } else { value })
}

/// Writes a fraction so that [`parse_fraction`] gives it back: `132` or `60000000/454545`.
pub(crate) fn fraction_text(value: &Fraction) -> String {
    if value.is_integer() {
        value.numer().to_string()
    } else {
        format!("{}/{}", value.numer(), value.denom())
    }
}

/// The same number without a bound on its size.
pub(crate) fn big(value: &Fraction) -> BigRational {
    BigRational::new((*value.numer()).into(), (*value.denom()).into())
}

/// The nearest float.
pub(crate) fn float(value: &Fraction) -> f64 {
    *value.numer() as f64 / *value.denom() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_and_quotients_are_read_without_rounding() {
        assert_eq!(parse_fraction("0.1"), Some(Fraction::new(1, 10)));
        assert_eq!(parse_fraction("-97.25"), Some(Fraction::new(-389, 4)));
        assert_eq!(parse_fraction("60000000/454545"), Some(Fraction::new(60_000_000, 454_545)));
        assert_eq!(parse_fraction("1.5/0.5"), Some(Fraction::from_integer(3)));
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for text in
            ["", "-", "1.", ".5", "1/0", "1/0.0", "1e3", "nan", "inf", "1/2/3", "--1", "1_000"]
        {
            assert_eq!(parse_fraction(text), None, "{text}");
        }
        assert_eq!(parse_fraction("1000000000001"), None);
        assert_eq!(parse_fraction(&"9".repeat(400)), None);
    }

    #[test]
    fn what_is_written_reads_back_the_same() {
        for (above, below) in [(132, 1), (-3, 7), (60_000_000, 454_545)] {
            let value = Fraction::new(above, below);
            assert_eq!(parse_fraction(&fraction_text(&value)), Some(value));
        }
    }
}
