//! Least squares on small dense systems.
//!
//! Model: Householder's QR of rows with `N` columns each. It works on the rows themselves, so the
//! condition of the problem is not squared as by the normal equations: noiseless points give
//! parameters back to ten digits. Rejected: a matrix crate (a hundred thousand lines for systems
//! of three to seven columns).

/// A row: its coefficients and its right side.
pub(crate) type Row<const N: usize> = ([f64; N], f64);

/// What is left of a system after the reflections: `R x = q`, and the squares no `x` can remove.
#[derive(Clone, Debug)]
pub(crate) struct Triangle<const N: usize> {
    r: [[f64; N]; N],
    q: [f64; N],
    /// Sum of squared residuals at the solution.
    pub(crate) rest: f64,
}

/// A diagonal of `R` below this share of the largest one marks columns that depend on each other.
const RANK: f64 = 1e-14;

/// Reduces the rows, which are overwritten; at least `N` of them.
pub(crate) fn reduce<const N: usize>(rows: &mut [Row<N>]) -> Triangle<N> {
    for k in 0..N.min(rows.len()) {
        reflect(rows, k);
    }
    let mut triangle = Triangle { r: [[0.0; N]; N], q: [0.0; N], rest: 0.0 };
    for (k, row) in rows.iter().take(N).enumerate() {
        triangle.r[k][k..].copy_from_slice(&row.0[k..]);
        triangle.q[k] = row.1;
    }
    triangle.rest = rows.iter().skip(N).map(|row| row.1 * row.1).sum();
    triangle
}

/// Makes column `k` zero below row `k`.
fn reflect<const N: usize>(rows: &mut [Row<N>], k: usize) {
    let norm = rows[k..].iter().map(|row| row.0[k] * row.0[k]).sum::<f64>().sqrt();
    if norm <= 0.0 {
        return;
    }
    let alpha = if rows[k].0[k] > 0.0 { -norm } else { norm };
    let head = rows[k].0[k] - alpha;
    // v = column - alpha e_k; |v|^2 = -2 alpha head.
    let scale = -1.0 / (alpha * head);
    let mut dots = [0.0; N];
    let mut right = head * rows[k].1;
    for (dot, coefficient) in dots[k + 1..].iter_mut().zip(&rows[k].0[k + 1..]) {
        *dot = head * coefficient;
    }
    for row in &rows[k + 1..] {
        let v = row.0[k];
        for (dot, coefficient) in dots[k + 1..].iter_mut().zip(&row.0[k + 1..]) {
            *dot += v * coefficient;
        }
        right += v * row.1;
    }
    for (index, row) in rows[k..].iter_mut().enumerate() {
        let v = if index == 0 { head } else { row.0[k] };
        let share = v * scale;
        for (coefficient, dot) in row.0[k + 1..].iter_mut().zip(&dots[k + 1..]) {
            *coefficient -= share * dot;
        }
        row.1 -= share * right;
    }
    rows[k].0[k] = alpha;
    for row in &mut rows[k + 1..] {
        row.0[k] = 0.0;
    }
}

impl<const N: usize> Triangle<N> {
    fn is_regular(&self) -> bool {
        let largest = (0..N).map(|k| self.r[k][k].abs()).fold(0.0, f64::max);
        (0..N).all(|k| self.r[k][k].abs() > RANK * largest)
    }

    /// The solution; none where columns depend on each other.
    pub(crate) fn solve(&self) -> Option<[f64; N]> {
        self.is_regular().then(|| self.back(self.q))
    }

    /// `R x = q` from the last unknown up.
    fn back(&self, q: [f64; N]) -> [f64; N] {
        let mut x = q;
        for k in (0..N).rev() {
            let sum: f64 = (k + 1..N).map(|j| self.r[k][j] * x[j]).sum();
            x[k] = (x[k] - sum) / self.r[k][k];
        }
        x
    }

    /// `(A^T A)^-1 b`.
    pub(crate) fn gram_solve(&self, b: [f64; N]) -> Option<[f64; N]> {
        if !self.is_regular() {
            return None;
        }
        let mut y = b;
        for k in 0..N {
            let sum: f64 = (0..k).map(|j| self.r[j][k] * y[j]).sum();
            y[k] = (y[k] - sum) / self.r[k][k];
        }
        Some(self.back(y))
    }

    /// `(A^T A)^-1`, the covariance of the solution per unit variance of the right side.
    pub(crate) fn inverse_gram(&self) -> Option<[[f64; N]; N]> {
        let mut inverse = [[0.0; N]; N];
        for k in 0..N {
            let mut unit = [0.0; N];
            unit[k] = 1.0;
            let column = self.gram_solve(unit)?;
            for (row, value) in inverse.iter_mut().zip(column) {
                row[k] = value;
            }
        }
        Some(inverse)
    }

    /// The same system with `weights[k] x[k] = 0` as further rows.
    pub(crate) fn damped(&self, weights: &[f64; N]) -> Self {
        let mut rows = Vec::with_capacity(2 * N);
        for k in 0..N {
            rows.push((self.r[k], self.q[k]));
        }
        for (k, weight) in weights.iter().enumerate() {
            let mut row = [0.0; N];
            row[k] = *weight;
            rows.push((row, 0.0));
        }
        reduce(&mut rows)
    }
}

#[cfg(test)]
mod tests {
    use super::reduce;

    #[test]
    fn a_line_through_three_points() {
        // By hand: y = 1.5 + 0.5 x through (0, 1.5), (1, 2), (2, 2.5), then with +-0.3, -0.6, +0.3,
        // which is orthogonal to constants and slopes.
        let at = |x: f64, y: f64| ([1.0, x], y);
        let mut rows = [at(0.0, 1.8), at(1.0, 1.4), at(2.0, 2.8)];
        let triangle = reduce(&mut rows);
        let [base, slope] = triangle.solve().unwrap();
        assert!((base - 1.5).abs() < 1e-14 && (slope - 0.5).abs() < 1e-14);
        assert!((triangle.rest - 0.54).abs() < 1e-14);
        // (A^T A)^-1 of [3 3; 3 5] is [5 -3; -3 3]/6.
        let inverse = triangle.inverse_gram().unwrap();
        for (found, wanted) in inverse.as_flattened().iter().zip([5.0, -3.0, -3.0, 3.0]) {
            assert!((found - wanted / 6.0).abs() < 1e-14);
        }
    }

    #[test]
    fn dependent_columns_have_no_solution() {
        let mut rows = [([1.0, 2.0], 1.0), ([2.0, 4.0], 0.0), ([3.0, 6.0], 1.0)];
        assert!(reduce(&mut rows).solve().is_none());
    }
}
