# Writes data/*.csv from the R packages that carry the published tables. Run once; the files are committed.
suppressMessages({library(nlme); library(lme4); library(MASS); library(pbkrtest)})
save <- function(frame, name) {
  frame <- as.data.frame(frame)
  for (column in names(frame)) if (is.factor(frame[[column]])) frame[[column]] <- as.character(frame[[column]])
  write.csv(format(frame, digits = 15, trim = TRUE), file.path("data", paste0(name, ".csv")), row.names = FALSE, quote = FALSE)
}
save(lme4::sleepstudy, "sleepstudy")
orthodont <- as.data.frame(nlme::Orthodont)
save(orthodont[, c("distance", "age", "Subject", "Sex")], "orthodont")
save(as.data.frame(nlme::Rail)[, c("Rail", "travel")], "rail")
save(as.data.frame(nlme::ergoStool)[, c("effort", "Type", "Subject")], "ergostool")
save(as.data.frame(nlme::Machines)[, c("Worker", "Machine", "score")], "machines")
save(pbkrtest::beets, "beets")
save(lme4::Penicillin, "penicillin")
save(lme4::Pastes, "pastes")
save(data.frame(boy = factor(rep(1:10, 2)), material = rep(c("A", "B"), each = 10),
                wear = c(MASS::shoes$A, MASS::shoes$B)), "shoes")
save(data.frame(y = c(12, 14, 11, 20, 17, 23, 35, 46, 15, 16), a = c(1, 1, 1, 2, 2, 2, 2, 2, 1, 2),
                b = c(1, 1, 2, 1, 2, 2, 2, 2, 2, 1), f = c(1, 2, 1, 2, 1, 2, 1, 2, 1, 2)), "tiny")
# Simulated trials: clients inside trainers or moving between them; slopes; drop-out; a variance that is zero.
simulate <- function(seed, clients, trainers, visits, trainer_sd, crossed, drop, slope_sd) {
  set.seed(seed)
  frame <- expand.grid(visit = seq_len(visits) - 1, client = seq_len(clients))
  home <- rep_len(seq_len(trainers), clients)
  frame$trainer <- home[frame$client]
  if (crossed) {
    moves <- runif(nrow(frame)) < 0.3
    frame$trainer[moves] <- sample(trainers, sum(moves), replace = TRUE)
  }
  frame$arm <- rep_len(c(0, 1, 1, 0), clients)[frame$client]
  frame$load <- 60 + 2 * frame$visit + 0.8 * frame$arm * frame$visit + rnorm(clients, 0, 6)[frame$client] +
    rnorm(clients, 0, slope_sd)[frame$client] * frame$visit + rnorm(trainers, 0, trainer_sd)[frame$trainer] +
    rnorm(nrow(frame), 0, 2)
  stay <- runif(nrow(frame)) > drop * (frame$visit > 0)
  frame$load <- round(frame$load, 3)
  frame[stay, c("client", "trainer", "visit", "arm", "load")]
}
save(simulate(1, 40, 5, 4, 2, TRUE, 0.15, 0), "crossed")
save(simulate(2, 30, 4, 4, 0, FALSE, 0.2, 0), "zero_trainer")
save(simulate(3, 36, 6, 4, 1.5, FALSE, 0.2, 1.2), "slopes")
machines <- as.data.frame(nlme::Machines)[, c("Worker", "Machine", "score")]
save(machines[-c(2, 3, 6, 8, 9, 12, 19, 20, 27, 33), ], "machines_unbalanced")
