//! How well a score repeats itself: intraclass correlation of Shrout & Fleiss 1979 (Psychol Bull 86:420).
//!
//! Rows are those who are judged, columns the occasions. `oneway` is ICC(1,1), each row with occasions of its own; `agreement`
//! ICC(2,1), the same occasions for all, drawn from many, absolute agreement; `consistency` ICC(3,1), the same fixed occasions.

/// The three coefficients for a single judgement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Icc {
    /// ICC(1,1).
    pub oneway: f64,
    /// ICC(2,1).
    pub agreement: f64,
    /// ICC(3,1).
    pub consistency: f64,
}

/// Of a full table, one row for each who is judged. `None` for fewer than two rows or columns, rows of unequal length, or a
/// table in which nothing varies.
pub fn icc(rows: &[Vec<f64>]) -> Option<Icc> {
    let k = rows.first()?.len();
    if rows.len() < 2 || k < 2 || rows.iter().any(|row| row.len() != k) {
        return None;
    }
    let (n, k) = (rows.len() as f64, k as f64);
    let all = || rows.iter().flatten();
    let grand = all().sum::<f64>() / (n * k);
    let square = |x: f64| (x - grand) * (x - grand);
    let total: f64 = all().map(|x| square(*x)).sum();
    let between: f64 = rows.iter().map(|row| k * square(row.iter().sum::<f64>() / k)).sum();
    let column = |at: usize| rows.iter().map(|row| row[at]).sum::<f64>() / n;
    let of_columns: f64 = (0..rows[0].len()).map(|at| n * square(column(at))).sum();
    if total <= 0.0 {
        return None;
    }
    let bms = between / (n - 1.0);
    let wms = (total - between) / (n * (k - 1.0));
    let jms = of_columns / (k - 1.0);
    let ems = (total - between - of_columns) / ((n - 1.0) * (k - 1.0));
    Some(Icc {
        oneway: (bms - wms) / (bms + (k - 1.0) * wms),
        agreement: (bms - ems) / (bms + (k - 1.0) * ems + k * (jms - ems) / n),
        consistency: (bms - ems) / (bms + (k - 1.0) * ems),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Shrout & Fleiss 1979, table 2: four judges, six targets (data from memory, values derived;
    /// pingouin 0.7.0 gives the same).
    #[test]
    fn the_published_example() {
        let judged = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]];
        let rows: Vec<Vec<f64>> = judged.iter().map(|row| row.map(f64::from).to_vec()).collect();
        let found = icc(&rows).unwrap();
        for (found, published) in [(found.oneway, 0.1657), (found.agreement, 0.2898), (found.consistency, 0.7148)] {
            assert!((found - published).abs() < 5e-5, "{found} instead of {published}");
        }
    }

    #[test]
    fn a_table_that_says_nothing_has_none() {
        assert_eq!(icc(&[vec![1.0, 1.0], vec![1.0, 1.0]]), None);
        assert_eq!(icc(&[vec![1.0, 2.0]]), None);
        assert_eq!(icc(&[vec![1.0, 2.0], vec![1.0]]), None);
        let same = icc(&[vec![1.0, 1.0], vec![2.0, 2.0], vec![5.0, 5.0]]).unwrap();
        assert!((same.oneway - 1.0).abs() < 1e-12 && (same.agreement - 1.0).abs() < 1e-12);
    }
}
