//! Tails and quantiles of the distributions that the other topics use, to near full precision in both tails.
//!
//! Values of the incomplete gamma and beta functions come from `statrs`. Its error function is good to 1e-10 only (measured
//! with version 0.19.1 against 30-digit values) and its quantiles lose relative accuracy far out in the tail; so the normal
//! tail is taken from the incomplete gamma function, erfc(x) = Q(½, x²), and quantiles are found here by a safeguarded
//! Newton search on the logarithm of the nearer tail.
//! All functions take finite arguments in their stated range; callers check them.

use statrs::function::{beta, erf, gamma};

/// Complementary error function.
pub fn erfc(x: f64) -> f64 {
    let tail = gamma_upper(0.5, x * x);
    if x >= 0.0 { tail } else { 2.0 - tail }
}

/// Lower tail of the standard normal distribution, P(Z ≤ z).
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z / std::f64::consts::SQRT_2)
}

/// Upper tail of the standard normal distribution, P(Z > z).
pub fn normal_upper(z: f64) -> f64 {
    normal_cdf(-z)
}

/// Two-sided p value of a standard normal statistic.
pub fn normal_two_sided(z: f64) -> f64 {
    (2.0 * normal_upper(z.abs())).min(1.0)
}

/// Quantile of the standard normal distribution: z with P(Z ≤ z) = p, 0 < p < 1.
pub fn normal_quantile(p: f64) -> f64 {
    if p > 0.5 {
        return -normal_quantile(1.0 - p);
    }
    let mut z = -std::f64::consts::SQRT_2 * erf::erfc_inv(2.0 * p);
    for _ in 0..3 {
        // Newton on the logarithm, so that far tails keep their relative accuracy.
        let f = normal_cdf(z);
        let density = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
        let step = (f.ln() - p.ln()) * f / density;
        if !step.is_finite() {
            break;
        }
        z -= step;
    }
    z
}

/// Quantile of |Z| for a confidence level: 1.96 for 0.95.
pub fn normal_two_sided_quantile(confidence: f64) -> f64 {
    -normal_quantile(0.5 * (1.0 - confidence))
}

/// Lower tail of the gamma distribution with scale 1, P(shape, x); shape > 0.
pub fn gamma_lower(shape: f64, x: f64) -> f64 {
    if x <= 0.0 {
        0.0
    } else if x == f64::INFINITY {
        1.0
    } else {
        gamma::gamma_lr(shape, x)
    }
}

/// Upper tail of the gamma distribution with scale 1, Q(shape, x); shape > 0.
pub fn gamma_upper(shape: f64, x: f64) -> f64 {
    if x <= 0.0 {
        1.0
    } else if x == f64::INFINITY {
        0.0
    } else {
        gamma::gamma_ur(shape, x)
    }
}

/// Upper tail of the chi-square distribution.
pub fn chi2_upper(x: f64, degrees: f64) -> f64 {
    gamma_upper(0.5 * degrees, 0.5 * x)
}

/// Upper tail of the chi-square distribution with one degree of freedom, exact far out.
pub fn chi2_1_upper(x: f64) -> f64 {
    if x <= 0.0 { 1.0 } else { gamma_upper(0.5, 0.5 * x) }
}

/// Lower quantile of the chi-square distribution.
pub fn chi2_quantile(p: f64, degrees: f64) -> f64 {
    2.0 * gamma_quantile(p, 0.5 * degrees)
}

/// Upper quantile of the chi-square distribution: x with P(X > x) = p.
pub fn chi2_upper_quantile(p: f64, degrees: f64) -> f64 {
    2.0 * gamma_upper_quantile(p, 0.5 * degrees)
}

/// x with P(shape, x) = p for the gamma distribution with scale 1; 0 and ∞ at the ends.
pub fn gamma_quantile(p: f64, shape: f64) -> f64 {
    gamma_invert(p, 1.0 - p, shape)
}

/// x with Q(shape, x) = p for the gamma distribution with scale 1; ∞ and 0 at the ends.
pub fn gamma_upper_quantile(p: f64, shape: f64) -> f64 {
    gamma_invert(1.0 - p, p, shape)
}

fn gamma_invert(lower: f64, upper: f64, shape: f64) -> f64 {
    if lower <= 0.0 {
        return 0.0;
    }
    if upper <= 0.0 {
        return f64::INFINITY;
    }
    let use_lower = lower <= upper;
    let target = if use_lower { lower.ln() } else { upper.ln() };
    // Start: Wilson & Hilferty 1931, or the leading term x^a / Γ(a+1) where that would be negative.
    let z = if use_lower { normal_quantile(lower) } else { -normal_quantile(upper) };
    let c = 1.0 / (9.0 * shape);
    let cube = 1.0 - c + z * c.sqrt();
    let leading = (lower.ln() + gamma::ln_gamma(shape + 1.0)) / shape;
    let start = if cube > 0.1 { shape.ln() + 3.0 * cube.ln() } else { leading };
    newton_in_log(start, |y| {
        let x = y.exp();
        let density = shape * y - x - gamma::ln_gamma(shape); // of ln x
        if use_lower {
            let f = gamma_lower(shape, x);
            (f.ln() - target, density.exp() / f)
        } else {
            let f = gamma_upper(shape, x);
            (target - f.ln(), density.exp() / f)
        }
    })
    .exp()
}

/// Lower tail of the beta distribution, I_x(a, b); a, b > 0.
pub fn beta_lower(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        0.0
    } else if x >= 1.0 {
        1.0
    } else {
        beta::beta_reg(a, b, x)
    }
}

/// x with I_x(a, b) = p; 0 and 1 at the ends.
pub fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    beta_invert(p, 1.0 - p, a, b)
}

/// x with 1 − I_x(a, b) = p; 1 and 0 at the ends.
pub fn beta_upper_quantile(p: f64, a: f64, b: f64) -> f64 {
    beta_invert(1.0 - p, p, a, b)
}

fn beta_invert(lower: f64, upper: f64, a: f64, b: f64) -> f64 {
    if lower <= 0.0 {
        return 0.0;
    }
    if upper <= 0.0 {
        return 1.0;
    }
    let ln_beta = beta::ln_beta(a, b);
    let use_lower = lower <= upper;
    let target = if use_lower { lower.ln() } else { upper.ln() };
    // Searched on the logit scale: x = 1 / (1 + exp(−y)).
    let mean = (a / b).ln();
    let y = newton_in_log(mean, |y| {
        let (ln_x, ln_1x) = (-ln_1p_exp(-y), -ln_1p_exp(y));
        let density = a * ln_x + b * ln_1x - ln_beta; // of the logit
        if use_lower {
            let f = beta_lower(a, b, ln_x.exp());
            (f.ln() - target, density.exp() / f)
        } else {
            let f = beta_lower(b, a, ln_1x.exp());
            (target - f.ln(), density.exp() / f)
        }
    });
    (-ln_1p_exp(-y)).exp()
}

/// ln(1 + eˣ) without overflow.
pub fn ln_1p_exp(x: f64) -> f64 {
    if x > 0.0 { x + (-x).exp().ln_1p() } else { x.exp().ln_1p() }
}

/// Root of an increasing function given with its derivative, by Newton steps kept inside a growing, then shrinking bracket.
fn newton_in_log(start: f64, f: impl Fn(f64) -> (f64, f64)) -> f64 {
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    let mut y = if start.is_finite() { start.clamp(-700.0, 700.0) } else { 0.0 };
    let mut reach = 1.0;
    for _ in 0..400 {
        let (value, slope) = f(y);
        if value == 0.0 {
            return y;
        }
        // A tail that underflowed has logarithm −∞: it still says on which side the root lies.
        if value > 0.0 {
            high = y
        } else {
            low = y
        }
        let newton = y - value / slope;
        let next = if newton.is_finite() && newton > low && newton < high && (newton - y).abs() <= 8.0 {
            newton
        } else if low.is_finite() && high.is_finite() {
            0.5 * (low + high)
        } else {
            reach *= 2.0;
            if value > 0.0 { y - reach } else { y + reach }
        };
        if (next - y).abs() <= 4.0 * f64::EPSILON * (1.0 + y.abs()) || next == low || next == high {
            return next;
        }
        y = next;
    }
    y
}

/// ln n! for whole n.
pub fn ln_factorial(n: u64) -> f64 {
    statrs::function::factorial::ln_factorial(n)
}

/// Probability of `k` under a binomial distribution with `n` trials and success probability `p` in 0..=1.
pub fn binomial_pmf(k: u64, n: u64, p: f64) -> f64 {
    if k > n {
        return 0.0;
    }
    let (k_f, rest) = (k as f64, (n - k) as f64);
    if p <= 0.0 || p >= 1.0 {
        let certain = if p <= 0.0 { k == 0 } else { k == n };
        return if certain { 1.0 } else { 0.0 };
    }
    let ln_choose = ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k);
    if n <= 1000 && ln_choose < 700.0 {
        // Small counts: products keep more digits than logarithms of factorials.
        let choose: f64 = (1..=k.min(n - k)).fold(1.0, |c, i| c * (n - k.min(n - k) + i) as f64 / i as f64);
        let direct = choose * p.powf(k_f) * (1.0 - p).powf(rest);
        if direct > 1e-290 {
            return direct;
        }
    }
    (ln_choose + k_f * p.ln() + rest * (-p).ln_1p()).exp()
}

/// P(X ≤ k) for a binomial distribution.
pub fn binomial_lower(k: u64, n: u64, p: f64) -> f64 {
    if k >= n { 1.0 } else { beta_lower((n - k) as f64, k as f64 + 1.0, 1.0 - p) }
}

/// P(X ≥ k) for a binomial distribution.
pub fn binomial_upper(k: u64, n: u64, p: f64) -> f64 {
    if k == 0 {
        1.0
    } else if k > n {
        0.0
    } else {
        beta_lower(k as f64, (n - k) as f64 + 1.0, p)
    }
}

/// Probability of `k` under a Poisson distribution with the given mean ≥ 0.
pub fn poisson_pmf(k: u64, mean: f64) -> f64 {
    if mean <= 0.0 {
        return if k == 0 { 1.0 } else { 0.0 };
    }
    (k as f64 * mean.ln() - mean - ln_factorial(k)).exp()
}

/// P(X ≤ k) for a Poisson distribution.
pub fn poisson_lower(k: u64, mean: f64) -> f64 {
    gamma_upper(k as f64 + 1.0, mean)
}

/// P(X ≥ k) for a Poisson distribution.
pub fn poisson_upper(k: u64, mean: f64) -> f64 {
    if k == 0 { 1.0 } else { gamma_lower(k as f64, mean) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed with mpmath 1.3.0 at 40 digits.
    #[test]
    #[expect(clippy::excessive_precision, reason = "reference values as printed")]
    fn quantiles_keep_their_digits() {
        let close = |a: f64, b: f64, rel: f64| assert!((a / b - 1.0).abs() < rel, "{a} is not {b}");
        const NORMAL: [(f64, f64); 8] = [
            (0.975, 1.9599639845400539),
            (0.95, 1.6448536269514723),
            (0.501, 0.0025066308995717662),
            (0.025, -1.9599639845400542),
            (1e-05, -4.2648907939228246),
            (1e-12, -7.0344838253011319),
            (1e-100, -21.273453560965324),
            (0.999999, 4.7534243088170878),
        ];
        const GAMMA: [(f64, f64, f64); 11] = [
            (0.025, 0.5, 0.00049103455858762801),
            (1e-12, 0.5, 7.8539816339744828e-25),
            (1e-09, 1.0, 1.0000000005000001e-9),
            (0.025, 1.0, 0.025317807984289877),
            (0.975, 11.0, 18.390356042017777),
            (0.5, 137.0, 136.66681123425052),
            (1e-05, 10.5, 1.8493734095663753),
            (0.999, 2.5, 10.257502826216438),
            (0.025, 500.0, 457.12857689962947),
            (1e-200, 3.0, 3.9148676411688636e-67),
            (0.2, 0.01, 7.1758381098578927e-71),
        ];
        const BETA: [(f64, f64, f64, f64); 9] = [
            (0.025, 81.0, 183.0, 0.25273674558527116),
            (0.975, 82.0, 182.0, 0.36762192260135135),
            (0.025, 1.0, 20.0, 0.0012650894979498038),
            (0.025, 0.5, 20.5, 2.4246478459242746e-5),
            (1e-10, 2.0, 7.0, 1.8898295079454629e-6),
            (0.975, 29.5, 0.5, 0.99998321324787521),
            (0.5, 3.0, 3.0, 0.5),
            (0.3, 200.0, 1000.0, 0.16089273215540823),
            (1e-100, 1.5, 2.0, 1.1696070952851464e-67),
        ];
        for (p, z) in NORMAL {
            close(normal_quantile(p), z, 2e-15);
        }
        for (p, shape, x) in GAMMA {
            close(gamma_quantile(p, shape), x, 2e-12);
        }
        for (p, a, b, x) in BETA {
            close(beta_quantile(p, a, b), x, 2e-12);
        }
    }

    #[test]
    fn tails_meet() {
        for k in 0..30u64 {
            let (l, u) = (binomial_lower(k, 29, 0.37), binomial_upper(k + 1, 29, 0.37));
            assert!((l + u - 1.0).abs() < 1e-13);
            let (l, u) = (poisson_lower(k, 7.3), poisson_upper(k + 1, 7.3));
            assert!((l + u - 1.0).abs() < 1e-13);
        }
        assert_eq!(gamma_quantile(0.0, 2.0), 0.0);
        assert_eq!(beta_upper_quantile(0.0, 2.0, 3.0), 1.0);
        assert!(gamma_upper_quantile(0.0, 2.0).is_infinite());
    }
}
