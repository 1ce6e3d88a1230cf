//! What a scale shows of an empty pan is taken off all that it shows: a script ends the same whatever that is.
//!
//! A zero of 0.00 g hides whether it was taken off, put on, or forgotten. So the scripts below are played again on
//! a pan that shows something else. Left out are those in which the scale itself goes to zero (its TARE key, its
//! switch): they are about that very number.

use std::process::Command;

const SHOWS: &str = "BISMAR_EMPTY_PAN";

/// In grams.
pub fn shows() -> f64 {
    std::env::var(SHOWS).map_or(0.0, |grams| grams.parse().unwrap())
}

/// What the engine said or wrote goes to the one who compares it.
pub fn told(what: &impl std::fmt::Debug) {
    if std::env::var_os(SHOWS).is_some() {
        println!("{what:?}");
    }
}

/// Plays the scripts on an empty pan that shows so many grams: what each said and wrote, if all ended as they should.
fn played(grams: &str) -> String {
    let scripts = SCRIPTS
        .iter()
        .map(|name| format!("weighing::tests::{name}"));
    let scripts: Vec<String> = scripts.collect();
    // A process for each: the scripts are the tests of this very program.
    let played = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "--nocapture", "--test-threads=1"])
        .args(&scripts)
        .env(SHOWS, grams)
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&played.stdout);
    let (told, ended) = told.rsplit_once("test result: ").unwrap();
    let all = format!("{} passed; 0 failed", scripts.len());
    assert!(ended.contains(&all), "an empty pan of {grams} g\n{ended}");
    told.to_owned()
}

#[test]
fn what_an_empty_pan_shows_is_taken_off_everything() {
    // As after a TARE key with a beaker that is gone.
    played("-150");
    // A crumb that was there from the start changes no word and no row.
    let (nothing, crumb) = (played("0"), played("0.3"));
    assert!(nothing.contains("uncertainty: Some("));
    let other = nothing.lines().zip(crumb.lines()).find(|(a, b)| a != b);
    assert_eq!(other, None);
}

const SCRIPTS: &[&str] = &[
    "after::a_batch_is_not_closed_over_its_limit_without_a_word",
    "after::a_beaker_on_the_pan_is_no_emptied_one_before_the_pan_was_empty",
    "after::a_bowl_lifted_after_the_first_grains_is_asked_about_when_it_is_back",
    "after::a_jar_short_of_its_label_is_not_recorded_without_a_word_and_named_short",
    "after::a_pinch_after_the_record_and_before_the_mixing_is_of_that_step",
    "after::a_plan_read_back_from_its_remedy_row_goes_on_at_the_same_step",
    "after::a_remedy_in_proportion_becomes_steps_and_larger_targets",
    "after::a_remedy_waits_for_the_weighing_under_way",
    "after::a_skip_is_taken_back",
    "after::after_a_restart_the_beaker_weighed_last_is_lifted_and_a_last_drop_is_offered_to_be_kept",
    "after::after_the_last_mixing_nothing_is_next",
    "after::filling_ends_at_a_word_and_says_what_it_came_to",
    "after::jar_after_jar_is_recorded_against_its_label",
    "after::lines_that_give_no_weight_in_a_pour_are_told",
    "after::of_a_source_nothing_is_asked_out_once_more",
    "after::the_batch_closes_once_the_bowl_that_is_back_has_come_to_rest",
    "after::the_empty_pan_speaks_while_the_bowl_is_away_to_be_mixed",
    "after::the_first_readings_of_a_lift_leave_the_record_as_it_is",
    "after::the_full_beaker_put_back_confirms_no_mixing",
    "after::the_least_that_mends_a_limit_is_weighed_and_then_the_batch_closes",
    "after::undo_before_the_lift_takes_the_record_out_of_the_log_at_once",
    "after::what_a_spoon_takes_along_is_a_little_of_what_is_in_the_bowl_and_not_of_the_bowl",
    "after::what_came_into_a_bowl_before_the_restart_and_is_of_no_step_leaves_the_next_weight_unsure",
    "after::what_changes_a_little_once_the_mixing_is_asked_for_leaves_the_record_unsure",
    "after::what_the_bowl_lost_over_a_restart_is_in_the_records_from_before_it",
    "after::what_the_pan_shows_while_a_source_is_away_is_in_the_uncertainty",
    "after::what_went_into_a_bowl_before_the_restart_is_counted_by_a_word",
    "after::who_set_something_down_before_the_pan_was_seen_empty_is_asked_for_a_word",
    "benches::a_batch_that_begins_while_the_scale_is_silent_does_not_tare_what_stood_there",
    "benches::a_beaker_that_is_put_back_with_more_in_it_leaves_its_record_unsure",
    "benches::a_beaker_that_stands_there_after_a_restart_has_to_be_empty",
    "benches::a_scale_on_another_unit_that_flickers_by_its_own_step_is_at_rest",
    "benches::a_scale_switched_off_after_the_record_does_not_change_it_for_sure",
    "benches::a_silent_scale_is_told_once_and_its_return_too",
    "benches::a_source_that_gives_nothing_is_changed_for_another",
    "benches::a_spoon_that_presses_as_it_takes_out_is_no_draught",
    "benches::a_step_in_a_shared_bowl_is_begun_again_while_nothing_of_it_is_in",
    "benches::a_step_in_other_units_is_recorded_in_grams",
    "benches::a_tolerance_that_the_scale_cannot_prove_is_recorded_without_a_verdict",
    "benches::a_unit_that_changes_is_told_until_it_is_back",
    "benches::a_vessel_on_the_wrong_scale_is_told",
    "benches::a_weight_whose_beaker_left_before_the_lot_came_is_recorded_with_it",
    "benches::a_word_widens_the_uncertainty_and_claims_no_verdict",
    "benches::after_a_silence_no_old_number_is_said",
    "benches::two_presses_keep_an_over_pour",
    "benches::what_a_stopped_batch_left_on_the_pan_is_not_taken_for_empty",
    "benches::what_came_out_of_a_source_before_it_is_begun_again_is_told",
    "benches::what_cannot_be_the_bowl_is_not_taken_for_it_on_a_word",
    "benches::what_comes_before_the_next_is_asked_for_belongs_to_the_one_before",
    "benches::what_goes_from_the_bowl_in_a_later_step_questions_the_earlier_records",
    "benches::what_goes_on_falling_before_the_next_is_asked_for_may_belong_to_either",
    "benches::what_ran_in_before_the_next_was_asked_for_stays_unsure_though_the_next_pour_comes_before_a_rest",
    "benches::what_stood_there_before_a_silence_cannot_be_kept",
    "benches::who_sets_the_scale_to_grams_is_not_told_to_set_it_back",
    "budgets::a_beaker_that_was_lifted_in_between_counts_its_place",
    "budgets::a_row_and_its_window_go_by_the_whole_budget",
    "decides::a_batch_is_complete_when_each_step_has_its_weight",
    "decides::a_bump_on_what_is_recorded_is_answered_by_no_word_for_an_empty_scale",
    "decides::a_lift_at_once_out_of_a_bump_leaves_the_record_as_it_is",
    "decides::a_record_that_was_taken_back_is_not_doubted_by_what_comes_next",
    "decides::a_scale_that_is_not_set_up_is_not_listened_to",
    "decides::a_scale_that_sends_seldom_is_waited_for_half_as_long_again",
    "decides::an_empty_pan_that_settles_on_the_other_scale_is_no_vessel",
    "decides::by_difference_it_is_told_what_came_out",
    "decides::more_went_on_falling_for_a_while_than_is_missing_at_the_end",
    "decides::next_lifts_no_beaker",
    "decides::one_jar_is_one_jar",
    "decides::the_amount_that_leads_a_sentence_is_found_where_it_stands",
    "decides::what_came_into_the_bowl_before_a_restart_is_no_more_than_a_scatter_of_it",
    "decides::what_is_poured_at_once_after_the_record_is_the_next_ingredient",
    "decides::what_is_taken_out_in_the_air_as_it_was_asked_for_needs_no_word",
    "decides::what_sinks_after_the_record_without_a_rest_leaves_it_unsure",
    "decides::what_sways_is_taken_by_no_word_before_that_is_offered",
    "decides::who_stops_in_a_pour_hears_what_is_not_recorded",
    "edges::a_bowl_with_earlier_ingredients_is_never_to_be_emptied",
    "edges::a_bowl_without_mixing_is_lifted_after_its_last_step_only",
    "edges::a_restlessness_of_the_last_load_counts_half_after_ninety_seconds",
    "edges::the_rate_of_a_pour_is_the_slope_of_its_last_half_second",
    "edges::what_falls_after_the_hand_stops_is_learned_from_stop_to_stop",
    "edges::where_a_pour_will_land_is_what_is_still_to_come",
    "laid::a_batch_closes_when_the_stirred_bowl_was_looked_at",
    "laid::a_hand_that_rests_on_it_before_the_lift_is_no_weight",
    "laid::what_an_undo_had_taken_out_is_not_asked_for_twice_in_silence",
    "laid::what_came_in_one_go_may_be_a_thing_to_take_off",
    "laid::what_came_in_while_it_stood_below_its_tare_is_no_tare",
    "laid::what_lies_beside_a_source_is_no_source",
    "laid::what_went_off_while_the_pour_began_leaves_the_record_unsure",
    "lifted::a_source_that_gave_nearly_all_is_lifted_clean",
    "lifted::nothing_is_gained_off_the_pan",
    "lifted::the_hand_that_takes_hold_presses_and_that_is_no_drop",
    "lifted::what_came_later_than_the_lift_explains_is_not_sure",
    "lifted::what_lay_beside_a_vessel_and_is_cleared_away_may_have_been_weighed_with_it",
    "lifted::what_leaves_the_vessel_before_the_lift_is_not_the_lift",
    "returns::a_bowl_that_comes_back_from_a_mixing_lighter_is_noted_or_doubted",
    "returns::a_late_drop_into_the_last_step_of_a_bowl_is_of_that_step",
    "returns::a_mean_that_stands_half_way_shows_no_pan",
    "returns::a_mixed_bowl_that_left_a_little_behind_goes_on_with_the_next_step",
    "returns::a_moment_below_the_tare_of_an_empty_vessel_is_in_the_uncertainty",
    "returns::a_pour_onto_a_vessel_that_was_tared_unseen_is_no_vessel",
    "returns::a_scale_that_takes_long_says_so_while_a_vessel_lands",
    "returns::a_source_that_gains_has_something_beside_it",
    "returns::a_spoon_that_lies_beside_the_vessel_makes_no_zero_below_nothing",
    "returns::a_step_weighed_again_is_mixed_again",
    "returns::a_vessel_that_lands_in_a_wind_is_told_of_and_taken_by_a_word",
    "returns::a_zero_that_drifts_while_the_vessel_is_away_moves_its_tare",
    "returns::after_another_vessel_was_refused_a_heavier_one_is_empty",
    "returns::by_a_word_a_beaker_gains_no_more_than_was_streaming_in",
    "returns::little_beside_a_source_is_in_the_uncertainty",
    "returns::more_than_all_of_it_nobody_takes_out",
    "returns::next_before_the_rest_leaves_what_is_more_in_a_bowl_unsure",
    "returns::the_end_of_a_lift_is_no_key",
    "returns::to_take_out_in_vain_three_times_asks_for_the_tare",
    "returns::what_came_off_the_empty_pan_under_a_source_moves_no_source",
    "returns::what_fell_without_being_asked_for_is_told",
    "returns::what_is_more_in_a_bowl_may_be_of_the_step_whatever_is_said",
    "returns::what_is_to_be_taken_out_is_what_is_over",
    "returns::what_leaned_on_the_pan_as_the_source_was_tared_is_in_the_uncertainty",
    "returns::what_lies_beside_the_source_while_it_is_off_is_told",
    "returns::what_only_touched_the_pan_of_a_slow_mean_is_no_vessel",
    "returns::what_the_tare_crept_goes_on_in_the_pour",
    "returns::what_was_poured_into_a_bowl_that_was_hardly_off_is_counted_by_keep_alone",
    "returns::what_was_to_be_lightened_and_comes_back_nearly_empty_is_asked_about",
    "returns::while_the_tare_is_lost_no_number_is_told",
    "returns::who_is_too_hasty_is_told_to_lift_and_then_asked_for_the_rest",
    "told::a_batch_that_is_over_waits_for_no_scale",
    "told::a_line_that_is_lost_twice_is_told_once",
    "told::a_step_is_told_with_its_window_and_the_two_that_come_after",
    "told::a_window_goes_by_how_the_vessel_meets_the_scale",
    "told::the_tare_is_told_without_what_the_empty_pan_shows",
    "told::what_a_scale_shows_is_told_as_it_shows_it",
    "told::what_is_missing_is_told_while_a_vessel_is_tared",
    "unanswered::a_bowl_that_left_before_it_rested_is_not_lighter",
    "unanswered::a_drift_while_more_is_waited_for_widens_the_uncertainty",
    "unanswered::a_keep_that_has_to_wait_says_what_for",
    "unanswered::a_pan_that_rings_after_the_lift_has_not_been_tared",
    "unanswered::a_question_that_another_cue_covered_is_asked_again",
    "unanswered::a_source_gains_nothing",
    "unanswered::a_vessel_too_heavy_for_the_scale_is_to_be_a_lighter_one",
    "unanswered::drops_that_were_asked_for_are_no_creep",
    "unanswered::less_than_zero_heard_first_is_a_tared_vessel_and_no_empty_pan",
    "unanswered::no_source_gives_more_than_it_weighs",
    "unanswered::nothing_is_called_the_last_of_it_where_nothing_came_out",
    "unanswered::only_what_will_be_taken_is_offered",
    "unanswered::some_taken_out_after_a_drift_is_answered",
    "unanswered::the_spoon_that_leaves_after_the_word_was_not_poured",
    "unanswered::what_cannot_be_taken_out_is_asked_about_and_kept_as_unsure",
    "unanswered::what_flickers_and_is_not_what_was_asked_for_is_told_again",
    "unanswered::what_flickers_widely_takes_a_word",
    "unanswered::what_is_poured_at_once_after_the_word_counts",
    "unanswered::what_is_too_much_in_a_bowl_with_more_in_it_cannot_be_begun_again",
    "unanswered::what_lies_on_the_pan_is_not_the_bowl",
    "unanswered::what_was_tared_before_the_first_weight_is_found",
    "unanswered::who_is_told_to_put_back_what_stands_there_is_told_how",
    "ways_back::a_lot_is_taken_back_to_the_one_before_and_then_to_none",
    "ways_back::a_lot_named_before_the_lift_is_in_the_record_and_goes_out_of_it_again",
    "ways_back::a_lot_named_while_the_weight_is_written_is_to_be_said_again",
    "ways_back::a_lot_of_another_ingredient_breaks_no_limit",
    "ways_back::a_lot_that_would_break_a_limit_is_told_before_it_is_weighed",
    "ways_back::a_skip_on_a_slow_disk_is_not_asked_for_twice",
    "ways_back::a_step_is_left_out_with_a_reason_and_counts_as_nothing",
    "ways_back::an_empty_beaker_on_the_scale_is_no_weighing_under_way",
    "ways_back::nothing_is_taken_back_while_it_is_being_written",
    "ways_back::weights_that_are_right_do_not_close_a_batch_whose_lot_breaks_a_limit",
    "ways_back::what_is_on_the_scale_or_recorded_is_not_left_out",
    "ways_back::what_was_set_down_on_a_recorded_beaker_and_taken_off_leaves_the_record_as_it_was",
    "ways_back::what_was_weighed_last_is_taken_back_and_weighed_again",
    "ways_back::while_something_is_poured_the_step_before_is_not_taken_back",
    "weighings::a_lot_that_is_required_is_waited_for_and_then_stands_in_the_row",
    "weighings::a_pour_before_the_vessel_is_at_rest_is_never_taken_for_its_tare",
    "weighings::a_pour_that_goes_too_far_is_stopped",
    "weighings::a_reading_has_a_net_weight_while_a_vessel_stands_there",
    "weighings::a_scale_switched_to_ounces_converts_and_a_too_coarse_one_waits",
    "weighings::a_vessel_lifted_too_early_goes_on_when_it_is_back",
    "weighings::again_throws_a_weighing_away_and_corrects_a_recorded_one",
    "weighings::an_over_pour_can_be_kept",
    "weighings::an_over_pour_taken_back_is_recorded_with_what_was_taken_out",
    "weighings::another_vessel_in_its_place_is_asked_about",
    "weighings::bowl_steps_follow_each_other_without_a_lift",
    "weighings::bumps_and_spikes_record_nothing_wrong",
    "weighings::commands_that_nothing_waits_for_are_harmless",
    "weighings::difference_weighs_what_left_the_source",
    "weighings::drips_after_the_record_correct_it",
    "weighings::nothing_is_called_recorded_before_it_is_on_the_disk",
    "weighings::own_tare_needs_no_key",
    "weighings::the_next_ease_off_comes_as_much_sooner_as_fell_before",
    "weighings::time_that_steps_back_and_repeated_ticks_do_no_harm",
    "weighings::two_presses_on_the_pan_say_next",
    "weighings::two_steps_with_a_mix_advance_by_the_next_vessel",
    "weighings::what_is_taken_out_after_the_record_is_told",
];
