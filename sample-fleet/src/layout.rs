//! Which loops a site of a given size has, and their tags.

use crate::scenario::{Scenario, Template};
use std::collections::{BTreeMap, BTreeSet};

/// Tag number of a loop: area, then 201, 202, ... by letters; further copies of the site add 10 to the area.
struct Numbering {
    used: BTreeMap<(u32, String), u32>,
}

impl Numbering {
    fn next(&mut self, area: u32, letters: &str) -> u32 {
        let n = self.used.entry((area, letters.to_owned())).or_insert(200);
        *n += 1;
        area * 1000 + *n
    }
}

pub(crate) struct Planned<'a> {
    pub template: &'a Template,
    pub area: String,
    pub tag: String,
    pub service: String,
    pub group: Option<String>,
    /// Which of several devices on one pair.
    pub multidrop_at: Option<u32>,
}

pub(crate) fn plan(s: &Scenario, copies: u32) -> Vec<Planned<'_>> {
    let mut numbering = Numbering {
        used: BTreeMap::new(),
    };
    let mut out = Vec::new();
    for copy in 0..copies {
        for area in &s.area {
            let number = area.number + 10 * copy;
            let name = if copy == 0 {
                area.name.clone()
            } else {
                format!("{}/{}", area.name, copy + 1)
            };
            for t in &area.loops {
                for n in 1..=t.count {
                    let tag = format!("{}-{}", t.is, numbering.next(number, &t.is));
                    let service = t.service.replace("{n}", &n.to_string());
                    let one = |tag: String, service: String, group| Planned {
                        template: t,
                        area: name.clone(),
                        tag,
                        service,
                        group,
                        multidrop_at: (t.multidrop > 0).then(|| (n - 1) % t.multidrop.max(1)),
                    };
                    if t.of_three {
                        for c in ["A", "B", "C"] {
                            out.push(one(
                                format!("{tag}{c}"),
                                format!("{service}, {c}"),
                                Some(tag.clone()),
                            ));
                        }
                    } else {
                        out.push(one(tag, service, None));
                    }
                }
            }
        }
    }
    out
}

/// `PT-3204` in the site's third copy is `PT-23204`.
pub(crate) fn copied_tag(tag: &str, copy: u32) -> String {
    match tag.split_once('-') {
        Some((letters, number)) if copy > 0 => {
            let (area, rest) = number.split_at(number.len().min(1));
            let area: u32 = area.parse().unwrap_or(0);
            format!("{letters}-{}{rest}", area + 10 * copy)
        }
        _ => tag.to_owned(),
    }
}

/// Which of the site's loops a fleet of `n` has: spread evenly, groups of three whole or not at all.
pub(crate) fn choose(all: &[Planned<'_>], n: usize) -> BTreeSet<usize> {
    let total = all.len();
    if n >= total {
        return (0..total).collect();
    }
    let mut out = BTreeSet::new();
    for i in 0..total {
        // Evenly: the count rises by one where i*n/total does.
        if (i + 1) * n / total > i * n / total {
            out.insert(i);
        }
    }
    let groups: BTreeSet<&str> = all.iter().filter_map(|p| p.group.as_deref()).collect();
    for g in groups {
        let members: Vec<usize> = (0..total)
            .filter(|&i| all[i].group.as_deref() == Some(g))
            .collect();
        let have = members.iter().filter(|i| out.contains(i)).count();
        let spare: Vec<usize> = if have * 2 >= members.len() {
            // Take the rest of the group in exchange for neighbours that are in no group.
            let missing = members.len() - have;
            let give: Vec<usize> = out
                .iter()
                .copied()
                .filter(|&i| all[i].group.is_none())
                .take(missing)
                .collect();
            out.extend(members.iter().copied());
            give
        } else {
            // Drop the group; the nearest loops outside any group come in.
            let take: Vec<usize> = (0..total)
                .filter(|i| all[*i].group.is_none() && !out.contains(i))
                .take(have)
                .collect();
            out.extend(take);
            members
        };
        for i in spare {
            out.remove(&i);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tags_of_copies() {
        assert_eq!(copied_tag("PT-3204", 0), "PT-3204");
        assert_eq!(copied_tag("PT-3204", 2), "PT-23204");
    }
}
