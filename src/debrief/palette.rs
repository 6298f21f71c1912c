//! Colours for fields: cividis, which is read alike with and without a colour vision deficiency and grows evenly lighter.
//!
//! Source: Nuñez, Anderton & Renslow 2018, PLoS ONE 13:e0199239; ten places of the published table, evenly spaced (from memory),
//! straight lines between them.

/// From dark to light.
const CIVIDIS: [[u8; 3]; 10] = [
    [0x00, 0x20, 0x4d],
    [0x00, 0x33, 0x6f],
    [0x39, 0x48, 0x6b],
    [0x57, 0x5c, 0x6d],
    [0x70, 0x71, 0x73],
    [0x8a, 0x87, 0x79],
    [0xa6, 0x9d, 0x75],
    [0xc4, 0xb5, 0x6c],
    [0xe4, 0xcf, 0x5b],
    [0xff, 0xea, 0x46],
];

/// The colour at a share of the way from dark (0) to light (1), sRGB.
pub fn cividis(share: f64) -> [u8; 3] {
    let scaled = share.clamp(0.0, 1.0) * (CIVIDIS.len() - 1) as f64;
    let below = (scaled as usize).min(CIVIDIS.len() - 2);
    let part = scaled - below as f64;
    core::array::from_fn(|i| {
        let (a, b) = (f64::from(CIVIDIS[below][i]), f64::from(CIVIDIS[below + 1][i]));
        (a + part * (b - a)).round() as u8
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_grows_evenly_lighter() {
        // Relative luminance (IEC 61966-2-1), and from it the lightness of CIE 1976.
        let lightness = |share: f64| {
            let linear = cividis(share).map(|c| (f64::from(c) / 255.0).powf(2.2));
            116.0 * (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]).cbrt() - 16.0
        };
        let steps: Vec<f64> =
            (0..9).map(|i| lightness(f64::from(i + 1) / 9.0) - lightness(f64::from(i) / 9.0)).collect();
        let mean = steps.iter().sum::<f64>() / 9.0;
        assert!(steps.iter().all(|s| (s / mean - 1.0).abs() < 0.25), "{steps:?}");
        assert_eq!(cividis(f64::NEG_INFINITY), CIVIDIS[0]);
        assert_eq!(cividis(2.0), CIVIDIS[9]);
    }
}
