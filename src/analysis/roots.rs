//! One-dimensional root search for functions that are monotone or at least change sign once.

/// A root of `f` between `a` and `b`, where `f(a)` and `f(b)` differ in sign, to the last bits of the argument; none if they do
/// not differ.
pub fn between(a: f64, b: f64, f: impl Fn(f64) -> f64) -> Option<f64> {
    between_within(a, b, 0.0, f)
}

/// The same to `tolerance` in the argument. Inverse quadratic interpolation where it is safe, halving where it is not
/// (Chandrupatla 1997, Adv. Eng. Softw. 28:145–149); infinite values only cost halvings.
pub fn between_within(a: f64, b: f64, tolerance: f64, f: impl Fn(f64) -> f64) -> Option<f64> {
    let (fa, fb) = (f(a), f(b));
    if fa == 0.0 {
        return Some(a);
    }
    if fb == 0.0 {
        return Some(b);
    }
    if fa.is_nan() || fb.is_nan() || (fa > 0.0) == (fb > 0.0) {
        return None;
    }
    // x1 is the newest point, x2 the other end of the bracket, x3 the point that was left.
    let (mut x1, mut f1, mut x2, mut f2) = (b, fb, a, fa);
    let mut t = 0.5;
    for _ in 0..2200 {
        let x = x1 + t * (x2 - x1);
        let fx = f(x);
        let (x3, f3);
        if (fx > 0.0) == (f1 > 0.0) {
            (x3, f3) = (x1, f1);
        } else {
            (x3, f3) = (x2, f2);
            (x2, f2) = (x1, f1);
        }
        (x1, f1) = (x, fx);
        let best = if f1.abs() < f2.abs() { x1 } else { x2 };
        let least = (2.0 * f64::EPSILON * best.abs() + tolerance).max(f64::MIN_POSITIVE) / (x2 - x1).abs();
        if f1 == 0.0 || least > 0.5 || !least.is_finite() {
            return Some(if f1 == 0.0 { x1 } else { best });
        }
        let (xi, phi) = ((x1 - x2) / (x3 - x2), (f1 - f2) / (f3 - f2));
        let safe = phi * phi < xi && (1.0 - phi) * (1.0 - phi) < 1.0 - xi;
        let guess = f1 / (f2 - f1) * f3 / (f2 - f3) + (x3 - x1) / (x2 - x1) * f1 / (f3 - f1) * f2 / (f3 - f2);
        t = if safe && guess.is_finite() { guess.clamp(least, 1.0 - least) } else { 0.5 };
    }
    Some(0.5 * (x1 + x2))
}

/// The first sign change met when going from `start` in steps of `step` that double each time, refined; none if `f` keeps
/// its sign (or becomes NaN) until `start ± reach`.
pub fn outward(start: f64, step: f64, reach: f64, f: impl Fn(f64) -> f64) -> Option<f64> {
    outward_within(start, step, reach, 0.0, f)
}

/// The same to `tolerance` in the argument.
pub fn outward_within(start: f64, step: f64, reach: f64, tolerance: f64, f: impl Fn(f64) -> f64) -> Option<f64> {
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
            return between_within(a, b, tolerance, &f);
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
