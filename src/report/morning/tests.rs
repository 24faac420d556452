use super::compose::compose;
use super::sample;
use super::text::to_text;

#[test]
fn scratch() {
    println!("{}", to_text(&compose(&sample::night())));
}
