# Data of test_binary.py. Herd disease counts from lme4, bacteria from MASS, two trials simulated here.
suppressMessages(library(lme4))
write_table <- function(frame, name) write.csv(frame, file.path("data", paste0(name, ".csv")), row.names = FALSE)
write_table(data.frame(herd = cbpp$herd, incidence = cbpp$incidence, size = cbpp$size, period = cbpp$period),
            "herds")
b <- MASS::bacteria
write_table(data.frame(y = as.integer(b$y == "y"), week = b$week, id = b$ID, trt = b$trt), "bacteria")

# 60 clients of 8 trainers, arms within trainers, monthly status over 6 months; a third changes trainer once.
set.seed(20251)
clients <- 60; months <- 6; trainers <- 8
first <- rep(seq_len(trainers), length.out = clients)
second <- ifelse(runif(clients) < 0.35, sample(trainers, clients, TRUE), first)
change <- sample(2:5, clients, TRUE)
arm <- rep(0:1, each = trainers, length.out = clients)
frame <- expand.grid(month = 1:months, client = seq_len(clients))
frame$trainer <- ifelse(frame$month > change[frame$client], second[frame$client], first[frame$client])
frame$arm <- arm[frame$client]
u <- rnorm(clients, sd = 1.3); v <- rnorm(trainers, sd = 0.7); w <- rnorm(clients, sd = 0.6)
eta <- 1.6 + 0.5 * frame$arm - 0.22 * frame$month + u[frame$client] + v[frame$trainer] +
  w[frame$client] * (frame$month - 3.5)
frame$active <- rbinom(nrow(frame), 1, plogis(eta))
write_table(frame, "status")

# 200 clients of 10 trainers, one status each; the trainers do not differ.
set.seed(9)
flat <- data.frame(trainer = rep(1:10, each = 20), arm = rep(0:1, 100), age = round(rnorm(200), 3))
flat$retained <- rbinom(200, 1, plogis(0.4 + 0.5 * flat$arm + 0.3 * flat$age))
write_table(flat, "flat")
