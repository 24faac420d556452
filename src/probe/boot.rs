//! Which start of the machine this is.

/// The kernel's random id of this boot; empty on systems without one.
pub fn boot_id() -> String {
    #[cfg(target_os = "linux")]
    {
        std::fs::read_to_string("/proc/sys/kernel/random/boot_id").map(|t| t.trim().to_string()).unwrap_or_default()
    }
    #[cfg(not(target_os = "linux"))]
    {
        String::new()
    }
}
