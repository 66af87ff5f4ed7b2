//! Which instrument reads which body where the hoses were swapped.

/// The gauge or sensor, named by its own body, that reads `body` of `bodies`.
///
/// Its own, unless the hoses were swapped: then each instrument has gone on to the next body in the profile's order,
/// the last to the first. On a twin they change places. Once round, an error of an instrument has stood on two bodies
/// and a difference between the cylinders has stayed.
pub fn instrument_on(body: usize, bodies: usize, swapped: bool) -> usize {
    if swapped {
        (body + bodies - 1) % bodies
    } else {
        body
    }
}

/// The body that an instrument reads: the other way round than [`instrument_on`].
pub fn body_under(instrument: usize, bodies: usize, swapped: bool) -> usize {
    if swapped {
        (instrument + 1) % bodies
    } else {
        instrument
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn on_a_twin_they_change_places_and_on_more_they_go_on_by_one() {
        let read_by = |bodies: usize| -> Vec<usize> {
            (0..bodies)
                .map(|b| instrument_on(b, bodies, true))
                .collect()
        };
        assert_eq!(read_by(1), [0]);
        assert_eq!(read_by(2), [1, 0]);
        assert_eq!(read_by(4), [3, 0, 1, 2]);
        for (bodies, swapped) in [(2, true), (3, true), (4, true), (4, false)] {
            for b in 0..bodies {
                let instrument = instrument_on(b, bodies, swapped);
                assert_eq!(body_under(instrument, bodies, swapped), b);
            }
        }
    }
}
