//! Which folders have something to be done in them.

use std::collections::HashSet;

use super::index::ROOT;

/// Folders by the numbers of their blocks.
#[derive(Debug, Default)]
pub struct Touched {
    folders: HashSet<u32>,
    /// The folder that holds each, by its number.
    parents: Vec<u32>,
}

impl Touched {
    pub fn put(&mut self, number: u32) {
        self.folders.insert(number);
    }

    pub fn set_parent(&mut self, number: u32, parent: u32) {
        let place = number as usize;
        if self.parents.len() <= place {
            self.parents.resize(place + 1, ROOT);
        }
        self.parents[place] = parent;
    }

    /// Those, and all the folders on the way to them.
    pub fn with_ways(&self) -> HashSet<u32> {
        self.ways_to(&self.folders)
    }

    /// `folders`, and all the folders on the way to them.
    pub fn ways_to(&self, folders: &HashSet<u32>) -> HashSet<u32> {
        let mut all = HashSet::new();
        for number in folders {
            let mut at = *number;
            while all.insert(at) && at != ROOT {
                at = self.parents.get(at as usize).copied().unwrap_or(ROOT);
            }
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_from_the_root_to_a_touched_folder_is_told() {
        let mut touched = Touched::default();
        for (number, parent) in [(1, 0), (2, 0), (3, 1), (4, 3)] {
            touched.set_parent(number, parent);
        }
        touched.put(3);
        assert_eq!(touched.with_ways(), HashSet::from([0, 1, 3]));
    }
}
