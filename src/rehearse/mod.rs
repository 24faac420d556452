//! Invented nights with a known truth, through the real engine and the real store.
