use super::compose::compose;
use super::sample;
use super::text::to_text;

#[test]
fn scratch() {
    let r = compose(&sample::night());
    std::fs::write("/tmp/morning.html", super::html::to_html(&r)).unwrap();
    std::fs::write("/tmp/morning.json", serde_json::to_string_pretty(&super::json::to_json(&r)).unwrap()).unwrap();
    println!("{}", to_text(&r));
    println!("{}", to_text(&compose(&sample::nothing())));
}
