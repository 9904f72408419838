//! Owns spots on the platters and the skews between neighbouring tracks.
//!
//! A spot is a physical place: which address lies there is the layout's business, not known here.

/// A physical sector: where the arm, the head and the angle must be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Spot {
    /// Radial position in tracks, 0 at the outer diameter.
    pub cylinder: u32,
    /// Recording surface.
    pub surface: u32,
    /// Sector on the track, as the track numbers them (skew not applied).
    pub sector: u32,
    /// Sectors of this track.
    pub sectors_per_track: u32,
}
