# Cloning, censoring and weighting a second time, client by client, with R's survival package for the curves.
# Run in this folder: Rscript make_reference.R. Reads data/*.csv (make_data.py), writes reference.json. CI never
# runs R.
suppressMessages({library(survival); library(jsonlite)})
grace <- 28; horizon <- 182
clients <- read.csv("data/clients.csv"); sessions <- read.csv("data/sessions.csv")
n <- nrow(clients)
history <- grep("^h", names(sessions)); facts <- grep("^f", names(clients))

# Decisions: sessions at which partner reps have not begun and may begin.
decisions <- list()
for (i in 1:n) {
  own <- sessions[sessions$client == i - 1, ]
  previous <- -1
  for (k in seq_len(nrow(own))) {
    s <- own[k, ]
    if (s$day > clients$end[i] || previous >= grace - 1) break
    draw <- if (s$day >= grace - 1) 1 else (s$day - previous) / (grace - 1 - previous)
    decisions[[length(decisions) + 1]] <- data.frame(client = i, day = s$day, trainer = s$trainer,
      began = s$partner_reps == 1, draw = draw, s[, history], clients[i, facts])
    if (s$partner_reps == 1) break
    previous <- s$day
  }
}
d <- do.call(rbind, decisions)
x <- cbind(d$day / grace, pmax(d$day / grace - 0.5, 0), as.matrix(d[, grep("^h", names(d))]),
           outer(d$trainer, sort(unique(d$trainer))[-1], "==") + 0, as.matrix(d[, grep("^f", names(d))]))
z <- scale(x, scale = apply(x, 2, function(v) sqrt(mean((v - mean(v))^2))))
plain <- glm(d$began ~ z, family = binomial, control = glm.control(epsilon = 1e-14, maxit = 100))
# The same with a normal prior of standard deviation 2 on all but the intercept.
X <- cbind(1, z); P <- diag(c(0, rep(1 / 4, ncol(z)))); beta <- rep(0, ncol(X))
for (k in 1:100) {
  f <- drop(plogis(X %*% beta))
  beta <- beta + drop(solve(t(X) %*% (f * (1 - f) * X) + P, t(X) %*% (d$began - f) - P %*% beta))
}
d$f <- drop(plogis(X %*% beta))

follow <- function(begins) {
  out <- list()
  for (i in 1:n) {
    own <- d[d$client == i, ]
    end <- min(clients$end[i], horizon)
    event <- clients$departed[i] == 1 && clients$end[i] <= horizon
    weight <- 1; from <- 0; gone <- FALSE
    put <- function(to, leaves) if (to > from)
      out[[length(out) + 1]] <<- data.frame(client = i, start = from, stop = to, event = leaves, weight = weight)
    for (k in seq_len(nrow(own))) {
      s <- own[k, ]
      if (s$day >= end) break
      put(s$day, FALSE); from <- s$day
      if (begins) {
        if (s$began) weight <- weight * s$draw / s$f
        else if (s$draw >= 1) { gone <- TRUE; break }
        else weight <- weight * (1 - s$draw) / (1 - s$f)
      } else if (s$day < grace) {
        if (s$began) { gone <- TRUE; break }
        weight <- weight / (1 - s$f)
      }
    }
    if (!gone) put(end, event)
  }
  do.call(rbind, out)
}
start <- follow(TRUE); refrain <- follow(FALSE)
curve <- function(rows) {
  fit <- survfit(Surv(start, stop, event) ~ 1, data = rows, weights = weight, id = client)
  s <- summary(fit, times = c(28, 56, 91, 182), extend = TRUE)
  s$surv
}
both <- rbind(cbind(start, side = 1), cbind(refrain, side = 0))
cox <- coxph(Surv(start, stop, event) ~ side, data = both, weights = weight, ties = "breslow",
             control = coxph.control(eps = 1e-14, iter.max = 100))
write_json(list(
  versions = list(R = paste(R.version$major, R.version$minor, sep = "."),
                  survival = as.character(packageVersion("survival"))),
  decisions = nrow(d), began = sum(d$began),
  plain = unname(coef(plain)), penalised = unname(beta),
  stretches = c(nrow(start), nrow(refrain)), departures = c(sum(start$event), sum(refrain$event)),
  start = curve(start), refrain = curve(refrain), log_hazard_ratio = unname(coef(cox)),
  largest = c(max(start$weight), max(refrain$weight))
), "reference.json", digits = I(17), auto_unbox = TRUE, pretty = TRUE)
