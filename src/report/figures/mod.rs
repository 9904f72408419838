//! The figures: each is drawn, told in words, and has its data as a table.
//!
//! One file for each, in the order of the page; each gives nothing where the material says nothing of it.

mod arm;
mod bars;
mod fill;
mod heat;
mod over_time;
mod percentiles;
mod places;
mod sizes;

use super::gather::Material;
use super::plot::canvas::Drawing;
use super::table::Table;

/// A figure.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Figure {
    pub(super) id: &'static str,
    pub(super) title: &'static str,
    /// How it is read.
    pub(super) caption: String,
    /// What it shows, for whoever does not see it.
    pub(super) told: String,
    pub(super) drawing: Drawing,
    /// All of the data behind it.
    pub(super) data: Table,
    /// Tables of a page: caption and values, those that matter first.
    pub(super) tables: Vec<(String, Table)>,
}

impl Figure {
    /// Its name, which is a part of a file's.
    pub fn id(&self) -> &'static str {
        self.id
    }

    /// A drawing of its own, light.
    pub fn svg(&self) -> String {
        self.drawing.for_file(self.id, self.title, &self.told)
    }

    /// The data behind it, with a head.
    pub fn csv(&self) -> String {
        self.data.csv()
    }
}

/// All figures that the material has something to say to.
pub fn all(material: &Material) -> Vec<Figure> {
    let figures = [
        over_time::figure(material),
        percentiles::figure(material),
        bars::causes(material),
        arm::figure(material),
        fill::figure(material),
        places::figure(material),
        sizes::figure(material),
        bars::purposes(material),
    ];
    figures.into_iter().flatten().collect()
}
