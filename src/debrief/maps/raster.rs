//! A picture of lines and letters as pixels: PNG, without a window or a browser.
//!
//! Letters are those of the typeface that comes with the program, so a picture is the same on every machine. Units: px. Limits: what
//! the library leaves out of SVG (scripts, animation) is not drawn.

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::fontdb::Source;
use resvg::usvg::{Options, Tree};
use std::sync::Arc;

/// Pixels of the picture for one of the drawing.
pub const SCALE: f32 = 1.6;

/// The typeface.
const FACES: [&[u8]; 2] =
    [include_bytes!("../../../assets/fonts/B612-Regular.otf"), include_bytes!("../../../assets/fonts/B612-Bold.otf")];

/// Why there is no picture.
#[derive(Debug, thiserror::Error)]
pub enum RasterError {
    /// The drawing could not be read.
    #[error("the drawing cannot be read: {0}")]
    Drawing(#[from] resvg::usvg::Error),
    /// No memory for it.
    #[error("there is no room for {0} × {1} pixels")]
    Room(u32, u32),
    /// The pixels could not be written as PNG.
    #[error("the pixels cannot be written: {0}")]
    Png(#[from] png::EncodingError),
}

/// A drawing as PNG, [`SCALE`] times its size.
///
/// # Errors
/// A drawing that is none, and no memory.
pub fn png_of(svg: &str) -> Result<Vec<u8>, RasterError> {
    let mut options = Options::default();
    let faces = options.fontdb_mut();
    for face in FACES {
        faces.load_font_source(Source::Binary(Arc::new(face)));
    }
    faces.set_sans_serif_family("B612");
    let tree = Tree::from_str(svg, &options)?;
    let size = tree.size();
    let (wide, high) = ((SCALE * size.width()).round() as u32, (SCALE * size.height()).round() as u32);
    let mut pixels = Pixmap::new(wide, high).ok_or(RasterError::Room(wide, high))?;
    resvg::render(&tree, Transform::from_scale(SCALE, SCALE), &mut pixels.as_mut());
    // The drawing has a ground, so nothing shows through.
    let rgb: Vec<u8> = pixels.data().chunks_exact(4).flat_map(|pixel| [pixel[0], pixel[1], pixel[2]]).collect();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, wide, high);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&rgb)?;
    writer.finish()?;
    Ok(bytes)
}
