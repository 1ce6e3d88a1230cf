//! From a cue to the maker's eyes and ears.
