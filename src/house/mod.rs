//! The indoor side: following field PCs.
