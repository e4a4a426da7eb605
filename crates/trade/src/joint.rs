//! Geometry of a single-V butt weld in a tube, and how much such a weld pulls in. Floating millimetres inside; see `docs/trade.md`.

use std::f64::consts::PI;

/// A single-V butt joint of a tube, millimetres and degrees.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Joint {
    /// Outside diameter.
    pub od: f64,
    /// Wall `t`.
    pub wall: f64,
    /// Bevel `β` of each side, degrees: 37.5 gives an included angle of 75.
    pub bevel: f64,
    /// Land (root face) `f`.
    pub land: f64,
    /// Root opening `g`.
    pub opening: f64,
    /// Height `h` of the cap, taken as a parabola.
    pub cap: f64,
}

/// Density of steel, g/mm³ (0.283 lb/in³).
const STEEL: f64 = 7.85e-3;

impl Joint {
    /// Horizontal run of one bevel at the outside, mm.
    fn run(&self) -> f64 {
        (self.wall - self.land) * self.bevel.to_radians().tan()
    }

    /// Width of the groove at the outside, mm: `w = g + 2 (t - f) tan β`.
    pub fn width(&self) -> f64 {
        self.opening + 2.0 * self.run()
    }

    /// Area of the weld's cross-section, mm²: `A = g t + (t - f)² tan β + 2/3 w h`.
    pub fn area(&self) -> f64 {
        self.opening * self.wall + (self.wall - self.land) * self.run() + 2.0 / 3.0 * self.width() * self.cap
    }

    /// Volume of the whole girth weld, mm³, by the radius of each part's centroid (Pappus).
    pub fn volume(&self) -> f64 {
        let inner = self.od / 2.0 - self.wall;
        let depth = self.wall - self.land;
        let gap = self.opening * self.wall * (inner + self.wall / 2.0);
        let sides = depth * self.run() * (inner + self.land + 2.0 * depth / 3.0);
        let cap = 2.0 / 3.0 * self.width() * self.cap * (self.od / 2.0 + 0.4 * self.cap);
        2.0 * PI * (gap + sides + cap)
    }

    /// Mass of the girth weld in steel, grams.
    pub fn grams(&self) -> f64 {
        self.volume() * STEEL
    }
}

/// Transverse shrinkage of one butt weld, `S = 0.2 A / t + 0.05 d`, all in millimetres (mm² for the area).
///
/// The coefficients 5.08 and 1.27 met elsewhere are these times 25.4: inches in, millimetres out. With millimetres they are wrong.
pub fn shrinkage_long_form(area: f64, wall: f64, opening: f64) -> f64 {
    0.2 * area / wall + 0.05 * opening
}

/// Transverse shrinkage of one butt weld, short form, `S = 0.1 A / t`, millimetres.
pub fn shrinkage_short_form(area: f64, wall: f64) -> f64 {
    0.1 * area / wall
}
