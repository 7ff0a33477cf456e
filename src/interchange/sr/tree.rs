//! The content tree of a report (PS3.3 C.17.3): items, their relationships and their values.

use super::codes::Code;

/// How an item belongs to the one above it (PS3.3 C.17.3.2.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Relationship {
    /// CONTAINS
    Contains,
    /// HAS PROPERTIES
    HasProperties,
    /// HAS OBS CONTEXT
    HasObsContext,
    /// HAS ACQ CONTEXT
    HasAcqContext,
    /// HAS CONCEPT MOD
    HasConceptMod,
    /// INFERRED FROM
    InferredFrom,
    /// SELECTED FROM
    SelectedFrom,
}

impl Relationship {
    /// Each with its defined term.
    pub const ALL: [(Self, &'static str); 7] = [
        (Self::Contains, "CONTAINS"),
        (Self::HasProperties, "HAS PROPERTIES"),
        (Self::HasObsContext, "HAS OBS CONTEXT"),
        (Self::HasAcqContext, "HAS ACQ CONTEXT"),
        (Self::HasConceptMod, "HAS CONCEPT MOD"),
        (Self::InferredFrom, "INFERRED FROM"),
        (Self::SelectedFrom, "SELECTED FROM"),
    ];

    /// Its defined term.
    #[must_use]
    pub fn term(self) -> &'static str {
        Self::ALL.iter().find(|(r, _)| *r == self).map_or("", |(_, t)| t)
    }
}

/// Graphic Type (0070,0023) of a SCOORD item (PS3.3 C.18.6.1.2).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Graphic {
    /// One point.
    Point,
    /// Several points that are no line.
    MultiPoint,
    /// Points joined in order.
    Polyline,
    /// Centre and a point of the perimeter.
    Circle,
    /// Both ends of the major, then of the minor axis.
    Ellipse,
}

impl Graphic {
    /// Each with its defined term.
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::Point, "POINT"),
        (Self::MultiPoint, "MULTIPOINT"),
        (Self::Polyline, "POLYLINE"),
        (Self::Circle, "CIRCLE"),
        (Self::Ellipse, "ELLIPSE"),
    ];

    /// Its defined term.
    #[must_use]
    pub fn term(self) -> &'static str {
        Self::ALL.iter().find(|(g, _)| *g == self).map_or("", |(_, t)| t)
    }

    /// Fewest and most points.
    #[must_use]
    pub const fn points(self) -> (usize, usize) {
        match self {
            Self::Point => (1, 1),
            Self::MultiPoint => (1, usize::MAX),
            Self::Polyline => (2, usize::MAX),
            Self::Circle => (2, 2),
            Self::Ellipse => (4, 4),
        }
    }
}

/// A frame or a whole image that an item points to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImageRef {
    /// Referenced SOP Class UID (0008,1150).
    pub class_uid: String,
    /// Referenced SOP Instance UID (0008,1155).
    pub instance_uid: String,
    /// Referenced Frame Number (0008,1160), from 1; empty for the whole image.
    pub frames: Vec<u32>,
}

/// A number as it stands in a NUM item.
#[derive(Clone, Debug, PartialEq)]
pub struct Number {
    /// The value.
    pub value: f64,
    /// Its unit.
    pub unit: Code,
}

/// The value of an item, by Value Type (0040,A040).
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// CONTAINER, with the template that it states: mapping resource and identifier.
    Container {
        /// Template, where it is stated.
        template: Option<(String, String)>,
    },
    /// TEXT
    Text(String),
    /// CODE
    Code(Code),
    /// NUM; `None` when the measured value is empty.
    Num(Option<Number>),
    /// DATE, YYYYMMDD.
    Date(String),
    /// UIDREF
    Uid(String),
    /// PNAME
    PersonName(String),
    /// IMAGE
    Image(ImageRef),
    /// SCOORD: points (column, row) in px from the outer corner of the first pixel, as the 32-bit numbers that are stored.
    Scoord {
        /// How the points are meant.
        graphic: Graphic,
        /// The points.
        points: Vec<[f32; 2]>,
        /// Pixel Origin Interpretation (0048,0301), where it is stated.
        origin: Option<String>,
    },
    /// Another value type, which says nothing here: its name.
    Other(String),
    /// An item by reference (0040,DB73): the places from the root, each from 1.
    Reference(Vec<u32>),
}

/// One content item with those below it.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// How it belongs to the one above; `None` for the root.
    pub relationship: Option<Relationship>,
    /// Its concept name.
    pub concept: Option<Code>,
    /// Its value.
    pub value: Value,
    /// The items below it, in order.
    pub children: Vec<Self>,
}

impl Item {
    pub(super) fn new(relationship: Relationship, concept: Code, value: Value) -> Self {
        Self { relationship: Some(relationship), concept: Some(concept), value, children: Vec::new() }
    }

    pub(super) fn text(relationship: Relationship, concept: Code, text: impl Into<String>) -> Self {
        Self::new(relationship, concept, Value::Text(text.into()))
    }

    pub(super) fn code(relationship: Relationship, concept: Code, value: Code) -> Self {
        Self::new(relationship, concept, Value::Code(value))
    }

    pub(super) fn num(relationship: Relationship, concept: Code, value: f64, unit: Code) -> Self {
        Self::new(relationship, concept, Value::Num(Some(Number { value, unit })))
    }

    pub(super) fn container(relationship: Relationship, concept: Code) -> Self {
        Self::new(relationship, concept, Value::Container { template: None })
    }

    pub(super) fn with(mut self, children: impl IntoIterator<Item = Self>) -> Self {
        self.children.extend(children);
        self
    }

    /// Whether its concept is this one.
    #[must_use]
    pub fn is(&self, concept: &Code) -> bool {
        self.concept.as_ref() == Some(concept)
    }

    /// The items directly below with this concept.
    #[must_use]
    pub fn all(&self, concept: &Code) -> Vec<&Self> {
        self.children.iter().filter(|c| c.is(concept)).collect()
    }

    /// The first item directly below with this concept.
    #[must_use]
    pub fn get(&self, concept: &Code) -> Option<&Self> {
        self.children.iter().find(|c| c.is(concept))
    }

    /// Its text, where it is one.
    #[must_use]
    pub fn as_text(&self) -> Option<&str> {
        match &self.value {
            Value::Text(t) | Value::Uid(t) | Value::PersonName(t) | Value::Date(t) => Some(t),
            _ => None,
        }
    }

    /// Its code, where it is one.
    #[must_use]
    pub const fn as_code(&self) -> Option<&Code> {
        match &self.value {
            Value::Code(c) => Some(c),
            _ => None,
        }
    }

    /// Its number, where it has one.
    #[must_use]
    pub const fn as_number(&self) -> Option<&Number> {
        match &self.value {
            Value::Num(Some(n)) => Some(n),
            _ => None,
        }
    }

    /// The text of the first item below with this concept.
    #[must_use]
    pub fn text_of(&self, concept: &Code) -> Option<&str> {
        self.get(concept)?.as_text()
    }

    /// The number of the first item below with this concept.
    #[must_use]
    pub fn number_of(&self, concept: &Code) -> Option<f64> {
        self.get(concept)?.as_number().map(|n| n.value)
    }

    /// Every item of the tree with its place from the root ("1.3.2"), the root first. The depth is that of the tree, which
    /// the reader has bounded.
    #[must_use]
    pub fn walk(&self) -> Vec<(String, &Self)> {
        let mut out = Vec::new();
        let mut open = vec![("1".to_owned(), self)];
        while let Some((place, item)) = open.pop() {
            for (n, child) in item.children.iter().enumerate().rev() {
                open.push((format!("{place}.{}", n + 1), child));
            }
            out.push((place, item));
        }
        out
    }
}
