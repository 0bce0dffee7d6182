pub const MINOR_SCALE: u32 = 4;
