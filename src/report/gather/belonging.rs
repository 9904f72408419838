//! Owns whether the files of a run are of a cell of the matrix beside them.
//!
//! A page with both shows the run as a part of the matrix, so it must be one: by its profile (the mark of
//! its text), its start, its work and its seed, all of them. A run that does not say all of it is taken for
//! none.

use super::matrix::{Cell, Matrix};
use super::{About, MATRIX, Material};
use crate::report::error::ReportError;

/// Insists that a run beside results of a matrix is of one of its cells.
pub(super) fn check(material: &Material) -> Result<(), ReportError> {
    let Some(matrix) = &material.matrix else {
        return Ok(());
    };
    let (mut results, mut run) = (None, None);
    for (path, kind) in &material.files {
        let place = if *kind == MATRIX {
            &mut results
        } else {
            &mut run
        };
        place.get_or_insert(path);
    }
    let (Some(results), Some(run)) = (results, run) else {
        return Ok(());
    };
    cell(matrix, &material.about).map_err(|why| ReportError::NoCell {
        run: run.clone(),
        matrix: results.clone(),
        why,
    })?;
    Ok(())
}

/// The cell that a run is of; or why it is of none.
fn cell<'m>(matrix: &'m Matrix, about: &About) -> Result<&'m Cell, String> {
    let need = |told: &Option<String>, what: &str| {
        let missing =
            || format!("it does not say {what}, as the requests and the events of a cell do");
        told.clone().ok_or_else(missing)
    };
    let mark = need(&about.profile_mark, "which profile its drive has")?;
    let start = need(&about.began, "how its drive began")?;
    let work = need(&about.workload, "what it was asked")?;
    let seed = need(&about.seed, "its seed")?;
    let named = matrix.cells.iter().filter(|cell| {
        let cell_seed = cell.seed.map(|seed| seed.to_string());
        cell.start == start && cell.workload == work && cell_seed.as_ref() == Some(&seed)
    });
    let mut numbers = Vec::new();
    for cell in named {
        match &cell.profile_mark {
            Some(of_cell) if *of_cell == mark => return Ok(cell),
            Some(_) => numbers.push(cell.number.to_string()),
            None => {
                let number = cell.number;
                return Err(format!(
                    "cell {number} may be the one, but its results do not tell its profile (they are of an \
                     older imbrex)"
                ));
            }
        }
    }
    let words = format!("it is of {work:?}, seed {seed}, on a drive that began {start:?}");
    Err(if numbers.is_empty() {
        format!("{words}, and no cell is")
    } else {
        format!(
            "{words}, as of cell {}, but of another profile",
            numbers.join(", ")
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn about() -> About {
        About {
            profile_mark: Some("m1".to_owned()),
            began: Some("new".to_owned()),
            workload: Some("w".to_owned()),
            seed: Some("7".to_owned()),
            ..About::default()
        }
    }

    fn matrix(profile_mark: Option<&str>) -> Matrix {
        let cell = |number, seed| Cell {
            number,
            profile_mark: profile_mark.map(str::to_owned),
            start: "new".to_owned(),
            workload: "w".to_owned(),
            seed: Some(seed),
            ..Cell::default()
        };
        Matrix {
            cells: vec![cell(1, 6), cell(2, 7)],
            ..Matrix::default()
        }
    }

    #[test]
    fn a_run_is_of_the_cell_with_all_that_it_says() {
        let matrix = matrix(Some("m1"));
        assert_eq!(cell(&matrix, &about()).map(|cell| cell.number), Ok(2));
    }

    #[test]
    fn whatever_differs_or_is_not_said_is_told() {
        let known = matrix(Some("m1"));
        let told = |change: fn(&mut About)| {
            let mut about = about();
            change(&mut about);
            cell(&known, &about).map(|cell| cell.number).unwrap_err()
        };
        assert!(told(|a| a.seed = Some("8".to_owned())).contains("seed 8"));
        assert!(told(|a| a.workload = Some("v".to_owned())).contains("of \"v\""));
        assert!(told(|a| a.began = Some("formatted".to_owned())).contains("\"formatted\", and no"));
        let other = told(|a| a.profile_mark = Some("m2".to_owned()));
        assert!(
            other.contains("as of cell 2, but of another profile"),
            "{other}"
        );
        assert!(told(|a| a.profile_mark = None).contains("which profile"));
        assert!(told(|a| a.seed = None).contains("its seed"));
        assert!(told(|a| a.workload = None).contains("what it was asked"));
        assert!(told(|a| a.began = None).contains("how its drive began"));
        let older = matrix(None);
        let told = cell(&older, &about()).map(|cell| cell.number).unwrap_err();
        assert!(told.contains("cell 2 may be the one"), "{told}");
    }
}
