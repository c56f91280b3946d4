//! A figure as a person types it: with a point or a comma. Pure.

/// The number that a text says.
///
/// ```
/// use curdtrace::wire::figure::figure;
/// assert_eq!(figure(" 6,45"), Ok(6.45));
/// assert_eq!(figure("-1.5"), Ok(-1.5));
/// assert!(figure("1,000.5").is_err() && figure("much").is_err() && figure("").is_err());
/// assert!(figure("nan").is_err());
/// ```
///
/// # Errors
/// It says none; what is wanted, in words.
pub fn figure(text: &str) -> Result<f64, String> {
    let number = text.trim().replace(',', ".").parse().ok();
    number.filter(|n: &f64| n.is_finite()).ok_or_else(|| "a number is wanted, such as 32.5 or 32,5".into())
}

/// As [`figure`], of what may well be in the thousands: where the comma could be
/// theirs it is refused, since ten would be taken for ten thousand.
///
/// ```
/// use curdtrace::wire::figure::large;
/// assert!(large("10,000").is_err());
/// assert_eq!((large("10000"), large("400,5"), large("10.000")), (Ok(10_000.0), Ok(400.5), Ok(10.0)));
/// ```
///
/// # Errors
/// As [`figure`], and where three digits follow a comma.
pub fn large(text: &str) -> Result<f64, String> {
    let thousands = |(_, after): (&str, &str)| after.len() == 3 && after.bytes().all(|b| b.is_ascii_digit());
    if text.trim().rsplit_once(',').is_some_and(thousands) {
        return Err("the comma could be of thousands or of decimals; write 10000, or 10.0".into());
    }
    figure(text)
}
