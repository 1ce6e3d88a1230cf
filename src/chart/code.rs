//! Codes for a camera (ISO/IEC 18004) as SVG.

use std::fmt::Write;

/// The light squares around a code (ISO/IEC 18004:2015, 6.3.8; from memory).
const QUIET: usize = 4;

/// The text as a code: black squares on white, with the quiet zone around it.
///
/// # Errors
/// Where it is too long for a code.
pub fn picture(text: &str) -> qrcode::QrResult<String> {
    let code = qrcode::QrCode::new(text)?;
    let width = code.width();
    let squares = code.to_colors();
    let dark = squares
        .iter()
        .enumerate()
        .filter(|(_, color)| **color == qrcode::Color::Dark);
    let mut path = String::new();
    for (at, _) in dark {
        let _ = write!(
            path,
            "M{} {}h1v1h-1z",
            at % width + QUIET,
            at / width + QUIET
        );
    }
    let size = width + 2 * QUIET;
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {size} {size}\" shape-rendering=\"crispEdges\">\
         <path fill=\"#fff\" d=\"M0 0h{size}v{size}h-{size}z\"/><path d=\"{path}\"/></svg>"
    ))
}
