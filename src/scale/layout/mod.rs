//! Line layouts: the forms in which bench scales send a weight. One file each.
//!
//! The layouts are common practice without a published source; each is named after its shape. A
//! layout accepts a line only when every column fits: "the first number in the line" is how a cut
//! line becomes a wrong weight.
