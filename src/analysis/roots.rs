//! One-dimensional root search for functions that are monotone or at least change sign once.

/// A root of `f` between `a` and `b`, where `f(a)` and `f(b)` differ in sign; none if they do not. Bisection kept honest by
/// regula falsi steps (the Illinois rule), to the last bits of the argument.
pub fn between(mut a: f64, mut b: f64, f: impl Fn(f64) -> f64) -> Option<f64> {
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 {
        return Some(a);
    }
    if fb == 0.0 {
        return Some(b);
    }
    if fa.is_nan() || fb.is_nan() || (fa > 0.0) == (fb > 0.0) {
        return None;
    }
    let mut side = 0;
    for i in 0..2000 {
        let secant = (a * fb - b * fa) / (fb - fa);
        // Every third step halves, so that flat or infinite stretches cannot stall the search.
        let inside = secant > a.min(b) && secant < a.max(b);
        let m = if i % 3 == 2 || !inside { 0.5 * (a + b) } else { secant };
        if m == a || m == b || (b - a).abs() <= 2.0 * f64::EPSILON * a.abs().max(b.abs()) {
            break;
        }
        let fm = f(m);
        if fm == 0.0 {
            return Some(m);
        }
        if (fm > 0.0) == (fb > 0.0) {
            (b, fb) = (m, fm);
            if side == 1 {
                fa *= 0.5;
            }
            side = 1;
        } else {
            (a, fa) = (m, fm);
            if side == -1 {
                fb *= 0.5;
            }
            side = -1;
        }
    }
    Some(0.5 * (a + b))
}

/// The first sign change met when going from `start` in steps of `step` that double each time, refined; none if `f` keeps
/// its sign (or becomes NaN) until `start ± reach`.
pub fn outward(start: f64, step: f64, reach: f64, f: impl Fn(f64) -> f64) -> Option<f64> {
    let mut a = start;
    let fa = f(a);
    if fa == 0.0 {
        return Some(a);
    }
    let mut h = step;
    loop {
        let b = a + h;
        let fb = f(b);
        if fb.is_nan() {
            return None;
        }
        if fb == 0.0 {
            return Some(b);
        }
        if (fb > 0.0) != (fa > 0.0) {
            return between(a, b, &f);
        }
        if (b - start).abs() > reach || b == a {
            return None;
        }
        a = b;
        h *= 2.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_are_found_to_the_last_digits() {
        assert!((between(0.0, 4.0, |x| x * x - 2.0).unwrap() - 2f64.sqrt()).abs() < 1e-15);
        assert_eq!(between(0.0, 1.0, |x| x + 1.0), None);
        assert!((outward(0.0, 0.1, 1e6, |x| x - 1234.5).unwrap() - 1234.5).abs() < 1e-9);
        assert_eq!(outward(0.0, 0.1, 1e3, |_| 1.0), None);
        // A function that is −∞ on one side.
        assert!(
            (between(-1.0, 10.0, |x: f64| if x <= 0.0 { f64::NEG_INFINITY } else { x.ln() }).unwrap() - 1.0).abs()
                < 1e-14
        );
    }
}
