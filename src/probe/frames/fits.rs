//! The header of a FITS file (IAU FITS Standard 4.0): what kind of frame it is, how long it was exposed, and whether the file is whole.

use fitsrs::card::Value;
use fitsrs::{Fits, HDU};
use std::fmt;
use std::io::{Cursor, Read};
use std::path::Path;

/// Size of a FITS block in bytes (standard, section 3.1).
pub const BLOCK: usize = 2880;
/// Longest header that is read: far more than any camera writes, and a bound on memory.
const LONGEST_HEADER: usize = 128 * BLOCK;

/// What a frame shows. The standard does not define IMAGETYP; its values are common practice, no source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The sky, through the whole chain.
    Light,
    /// Shutter closed.
    Dark,
    /// No exposure.
    Bias,
    /// An even surface.
    Flat,
    /// Stated, but none of these.
    Other,
}

impl Kind {
    /// Stored and served word.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Light => "light",
            Kind::Dark => "dark",
            Kind::Bias => "bias",
            Kind::Flat => "flat",
            Kind::Other => "other",
        }
    }

    /// From the value of IMAGETYP.
    pub fn of(imagetyp: &str) -> Kind {
        let t = imagetyp.to_lowercase();
        let has = |w: &str| t.contains(w);
        // "dark flat" is a calibration frame, so the calibration words come first.
        match () {
            () if has("dark") => Kind::Dark,
            () if has("bias") || has("offset") || has("zero") => Kind::Bias,
            () if has("flat") => Kind::Flat,
            () if has("light") || has("object") || has("science") => Kind::Light,
            () => Kind::Other,
        }
    }
}

/// What is read of a header.
#[derive(Clone, Debug, PartialEq)]
pub struct Header {
    /// What it shows; light where nothing is stated.
    pub kind: Kind,
    /// EXPTIME or EXPOSURE, seconds.
    pub exposure_s: Option<f64>,
    /// OBJECT.
    pub object: Option<String>,
    /// FILTER.
    pub filter: Option<String>,
    /// DATE-OBS.
    pub date_obs: Option<String>,
    /// CCD-TEMP, °C.
    pub sensor_c: Option<f64>,
    /// SET-TEMP, °C.
    pub set_c: Option<f64>,
}

/// Why a file is no whole frame (yet).
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Problem {
    /// No byte in it.
    Empty,
    /// Shorter than its header says, or the header has no end.
    Truncated,
    /// Not FITS, though its name says so.
    Unreadable(String),
    /// Cannot be told from the inside: wait until it stops growing.
    Unfinished,
}

impl Problem {
    /// Stored and served word.
    pub fn code(&self) -> &'static str {
        match self {
            Problem::Empty => "empty",
            Problem::Truncated => "truncated",
            Problem::Unreadable(_) => "unreadable",
            Problem::Unfinished => "unfinished",
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Problem::Unreadable(why) => write!(f, "unreadable: {why}"),
            other => f.write_str(other.code()),
        }
    }
}

/// Whether the file's ending promises FITS.
pub fn is_fits(path: &Path) -> bool {
    let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("").to_ascii_lowercase();
    matches!(ending.as_str(), "fits" | "fit" | "fts" | "fz")
}

/// The kind of a file without a readable header: light, unless a folder or the name says that it is for calibration.
pub fn kind_by_path(path: &Path) -> Kind {
    match Kind::of(&path.to_string_lossy()) {
        Kind::Other => Kind::Light,
        k => k,
    }
}

/// Reads the header of a file of `size` bytes and checks that the file is as long as the header says.
///
/// # Errors
/// [`Problem::Truncated`] while it is still being written or was cut off; [`Problem::Unreadable`] if it is no FITS file.
pub fn read(path: &Path, size: u64) -> Result<Header, Problem> {
    let io = |e: std::io::Error| Problem::Unreadable(e.to_string());
    let mut file = std::fs::File::open(path).map_err(io)?;
    let (bytes, whole) = header_bytes(&mut file).map_err(io)?;
    if !bytes.starts_with(b"SIMPLE  =") {
        // A file that is being written may begin with nothing but zeros.
        return Err(if bytes.iter().all(|b| *b == 0) {
            Problem::Truncated
        } else {
            Problem::Unreadable("it does not begin as a FITS file".into())
        });
    }
    if !whole {
        return Err(Problem::Truncated);
    }
    let (header, length) = parse(&bytes)?;
    if size < length {
        return Err(Problem::Truncated);
    }
    // A tile-compressed frame carries its keywords in the second header (standard, section 10).
    if header.exposure_s.is_none() && header.object.is_none() && size > length {
        use std::io::Seek;
        if file.seek(std::io::SeekFrom::Start(length)).is_ok()
            && let Ok((second, true)) = header_bytes(&mut file)
            && second.starts_with(b"XTENSION")
        {
            let (second, more) = second_header(&second)?;
            return if size < length + more { Err(Problem::Truncated) } else { Ok(second) };
        }
    }
    Ok(header)
}

/// Blocks up to the one that holds END; false when the file or the patience ended before.
fn header_bytes(source: &mut impl Read) -> std::io::Result<(Vec<u8>, bool)> {
    let mut bytes = Vec::new();
    while bytes.len() < LONGEST_HEADER {
        let begin = bytes.len();
        let read = source.by_ref().take(BLOCK as u64).read_to_end(&mut bytes)?;
        if read < BLOCK {
            return Ok((bytes, false));
        }
        if bytes[begin..].chunks_exact(80).any(|card| card.starts_with(b"END ") && card[3..].iter().all(|b| *b == b' '))
        {
            return Ok((bytes, true));
        }
    }
    Ok((bytes, false))
}

/// The header in `bytes` (whole blocks), and the length in bytes of header and data together.
///
/// # Errors
/// [`Problem::Unreadable`] with what was wrong.
pub fn parse(bytes: &[u8]) -> Result<(Header, u64), Problem> {
    let unreadable = |e: String| Problem::Unreadable(e);
    let first = Fits::from_reader(Cursor::new(bytes)).next();
    let hdu = first.ok_or_else(|| unreadable("no header in it".into()))?.map_err(|e| unreadable(format!("{e:?}")))?;
    let HDU::Primary(hdu) = hdu else { return Err(unreadable("the first part is no primary header".into())) };
    let h = hdu.get_header();
    let get = |k: &str| h.get(k).cloned();
    Ok((of(&get), bytes.len() as u64 + data_length(&get)))
}

fn second_header(bytes: &[u8]) -> Result<(Header, u64), Problem> {
    // The library reads extensions only behind a primary header: the shortest one of the standard stands in front.
    let mut text = Vec::new();
    for card in
        ["SIMPLE  =                    T", "BITPIX  =                    8", "NAXIS   =                    0", "END"]
    {
        text.extend_from_slice(format!("{card:<80}").as_bytes());
    }
    text.resize(BLOCK, b' ');
    text.extend_from_slice(bytes);
    let unreadable = |e: String| Problem::Unreadable(e);
    let mut all = Fits::from_reader(Cursor::new(&text[..]));
    let _ = all.next();
    let hdu =
        all.next().ok_or_else(|| unreadable("no second header".into()))?.map_err(|e| unreadable(format!("{e:?}")))?;
    let get = |k: &str| match &hdu {
        HDU::Primary(x) => x.get_header().get(k).cloned(),
        HDU::XImage(x) => x.get_header().get(k).cloned(),
        HDU::XBinaryTable(x) => x.get_header().get(k).cloned(),
        HDU::XASCIITable(x) => x.get_header().get(k).cloned(),
    };
    Ok((of(&get), bytes.len() as u64 + data_length(&get)))
}

/// Length of the data part in bytes, padded to whole blocks: |BITPIX| · GCOUNT · (PCOUNT + NAXIS1 · …) / 8 (standard, equations 1
/// and 2).
fn data_length(get: &dyn Fn(&str) -> Option<Value>) -> u64 {
    let whole = |k: &str, or: i64| match get(k) {
        Some(Value::Integer { value, .. }) => value,
        _ => or,
    };
    let axes = whole("NAXIS", 0).clamp(0, 999);
    if axes == 0 {
        return 0;
    }
    let mut points: u64 = 1;
    for n in 1..=axes {
        points = points.saturating_mul(u64::try_from(whole(&format!("NAXIS{n}"), 0)).unwrap_or(0));
    }
    let parameters = u64::try_from(whole("PCOUNT", 0)).unwrap_or(0);
    let groups = u64::try_from(whole("GCOUNT", 1)).unwrap_or(1);
    let bytes = whole("BITPIX", 0).unsigned_abs() / 8;
    let length = bytes.saturating_mul(groups).saturating_mul(points.saturating_add(parameters));
    length.div_ceil(BLOCK as u64).saturating_mul(BLOCK as u64)
}

fn of(get: &dyn Fn(&str) -> Option<Value>) -> Header {
    let number = |keys: &[&str]| {
        keys.iter().find_map(|k| match get(k)? {
            Value::Integer { value, .. } => Some(value as f64),
            Value::Float { value, .. } if value.is_finite() => Some(value),
            _ => None,
        })
    };
    let text = |k: &str| match get(k)? {
        Value::String { value, .. } => {
            Some(value.trim().chars().take(120).collect::<String>()).filter(|t| !t.is_empty())
        }
        _ => None,
    };
    let within = |v: Option<f64>, low: f64, high: f64| v.filter(|v| (low..=high).contains(v));
    Header {
        kind: text("IMAGETYP").or_else(|| text("FRAME")).map_or(Kind::Light, |t| Kind::of(&t)),
        exposure_s: within(number(&["EXPTIME", "EXPOSURE"]), 0.0, 86_400.0),
        object: text("OBJECT"),
        filter: text("FILTER"),
        date_obs: text("DATE-OBS"),
        sensor_c: within(number(&["CCD-TEMP"]), -150.0, 100.0),
        set_c: within(number(&["SET-TEMP"]), -150.0, 100.0),
    }
}
