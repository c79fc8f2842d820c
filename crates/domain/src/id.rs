use std::fmt;
use std::str::FromStr;

/// A random 128-bit identity. Names are labels and may change or repeat; ids never do.
///
/// ```
/// use settlepoint_domain::Id;
/// let id = Id::from_u128(0x2a);
/// assert_eq!(id.to_string(), "0000000000000000000000000000002a");
/// assert_eq!("0000000000000000000000000000002a".parse(), Ok(id));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Id(u128);

impl Id {
    /// The id with these bits. Drawing the bits is the caller's business.
    pub const fn from_u128(bits: u128) -> Self {
        Self(bits)
    }

    /// The bits.
    pub const fn as_u128(self) -> u128 {
        self.0
    }
}

impl fmt::Display for Id {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:032x}", self.0)
    }
}

impl FromStr for Id {
    type Err = std::num::ParseIntError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        u128::from_str_radix(text, 16).map(Self)
    }
}
