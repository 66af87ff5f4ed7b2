//! Values keyed by body name in a file, held in the profile's order.

/// One optional value per body, in the order of `engine.cylinders` of the profile.
#[derive(Debug, Clone, PartialEq)]
pub struct PerBody<T> {
    values: Vec<Option<T>>,
}

impl<T> PerBody<T> {
    /// From one entry per body, in the profile's order.
    pub fn new(values: Vec<Option<T>>) -> Self {
        Self { values }
    }

    /// Value of the body with this index in the profile's order, if it was given.
    pub fn get(&self, index: usize) -> Option<&T> {
        self.values.get(index).and_then(Option::as_ref)
    }

    /// Entries in the profile's order; its length is the number of bodies.
    pub fn iter(&self) -> impl Iterator<Item = Option<&T>> {
        self.values.iter().map(Option::as_ref)
    }

    /// Number of bodies, given or not.
    pub fn bodies(&self) -> usize {
        self.values.len()
    }

    /// True when every body has a value.
    pub fn is_complete(&self) -> bool {
        self.values.iter().all(Option::is_some)
    }
}

impl<T: Clone> PerBody<T> {
    /// All values in the profile's order; `None` when a body has none.
    pub fn all(&self) -> Option<Vec<T>> {
        self.values.iter().cloned().collect()
    }
}
