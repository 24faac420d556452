//! placeholder until the configuration model lands
/// The checked configuration.
#[derive(Clone, Debug, Default)]
pub struct Config {}
