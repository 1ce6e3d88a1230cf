//! Formulas that more than one topic weighs.

/// Three steps in beakers of their own; of 100 g: 50, 30 and 20 g.
pub const SOAK: &str = r#"
[formula]
name = "Marram soak"
version = 1
[[phase]]
name = "Dry"
[[phase.ingredient]]
name = "Sea salt"
balance = true
tolerance = { percent = 2.0 }
[[phase.ingredient]]
name = "Epsom salt"
percent = 30
tolerance = { percent = 2.0 }
[[phase.ingredient]]
name = "Oat flour"
percent = 20
tolerance = { percent = 2.0 }
"#;
